"""Faults on blocks and in addresses, counted without solving a network.

What lies on rows and pairs, clips left out, conductors outside their block's wire range, and addresses used
twice.
Each is a figure like any other, so attribution and history need no case of their own.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from .bands import IntArray
from .figures import FigureBlock, Subjects, any_of, extremes, lookup
from .plant import BlockKind, BoolArray, Carries, Members, Plant, expand, place_of, select
from .point_loads import UNKNOWN_GAUGE_AWG
from .subjects import SubjectKind
from .wiring import Wiring, first_where_extreme

OPPOSITE = np.full(7, -1)
for _one, _other in (
    (Carries.AUDIO_POSITIVE, Carries.AUDIO_NEGATIVE),
    (Carries.DC_POSITIVE, Carries.DC_NEGATIVE),
    (Carries.LINE_HOT, Carries.LINE_COMMON),
):
    OPPOSITE[_one], OPPOSITE[_other] = _other, _one
AUDIO = [Carries.AUDIO_POSITIVE, Carries.AUDIO_NEGATIVE]
DC = [Carries.DC_POSITIVE, Carries.DC_NEGATIVE]

GAUGE_RANGE_AWG = np.empty((len(BlockKind), 2), np.int64)
GAUGE_RANGE_AWG[[BlockKind.SPLIT_66, BlockKind.UNSPLIT_66]] = 20, 26
GAUGE_RANGE_AWG[BlockKind.TYPE_110] = 22, 26
GAUGE_RANGE_AWG[BlockKind.SCREW] = 12, 26
"""By ``BlockKind``: thickest and thinnest solid conductor in its wire range. 110-type: its
connecting-hardware standard; the others common practice, no source: a block's own data sheet governs."""


def evaluate_terminations(plant: Plant, members: Members, wiring: Wiring) -> list[FigureBlock]:
    """Figures row_used_twice, polarity_reversed, clip_out, dc_on_audio, audio_with_dc (by block), wire_gauge
    (by run) and address_used_twice (by endpoint)."""
    owner, row = select(plant, "addresses", members)
    table = plant.addresses
    endpoints = Subjects(SubjectKind.ENDPOINT, owner, table.endpoint_index[row], table.group[row])
    _, same = Subjects.distinct(SubjectKind.ENDPOINT, owner, table.address_code[row], table.group[row])
    twice = endpoints.figures("address_used_twice", bands=np.bincount(same)[same], limit=1.0)
    return [*_blocks(plant, members), _gauges(plant, wiring), twice]


def _blocks(plant: Plant, members: Members) -> list[FigureBlock]:
    owner, row = select(plant, "landings", members)
    table = plant.landings
    subjects, block = Subjects.distinct(SubjectKind.BLOCK, owner, table.block_index[row], table.group[row])
    blocks = len(subjects.member)
    on_field_side = table.field_side[row]
    height = int(table.row[row].max(initial=0)) + 1
    place = block * height + table.row[row]
    sides, crowd = np.unique(place * 2 + on_field_side, return_counts=True)
    fullest = first_where_extreme(sides // 2 // height, crowd.astype(float), blocks, largest=True)
    twice = subjects.figures(
        "row_used_twice", bands=crowd[fullest], limit=1.0, detail=(sides // 2 % height)[fullest]
    )

    # each conductor on the equipment side with each on the field side of its row
    equipment, field = np.flatnonzero(~on_field_side), np.flatnonzero(on_field_side)
    field = field[np.argsort(place[field], kind="stable")]
    first = np.searchsorted(place[field], place[equipment])
    last = np.searchsorted(place[field], place[equipment], side="right")
    meets, partner = expand(first, last)
    carries = table.carries[row]
    wrong = OPPOSITE[carries[equipment[meets]]] == carries[field[partner]]

    def counted(places: IntArray) -> dict[str, Any]:
        """How many rows of each block are among ``places``, and the first of them."""
        rows = np.unique(places)
        first_row = np.full(blocks, -1)
        first_row[(rows // height)[::-1]] = (rows % height)[::-1]
        return {"bands": np.bincount(rows // height, minlength=blocks), "detail": first_row}

    # whether clips are in does not matter here: what a pulled clip parts is joined again when it is inserted
    audio, dc = np.isin(carries, AUDIO), np.isin(carries, DC)

    def both(of: IntArray) -> BoolArray:
        """(n,) whether audio and DC meet on what each conductor is on."""
        count = int(of.max(initial=-1)) + 1
        found: BoolArray = (any_of(of, audio, count) & any_of(of, dc, count))[of]
        return found

    cable = np.unique(table.cable_code[row], return_inverse=True)[1]
    pairs_max = int(table.pair.max(initial=0)) + 1
    in_pair = (block * len(row) + cable) * pairs_max + table.pair[row]
    pair = np.unique(in_pair, return_inverse=True)[1]

    out = _rows_without_clip(plant, members, subjects, height)
    used = carries != Carries.SPARE
    joined = any_of(place, used & on_field_side, len(out)) & any_of(place, used & ~on_field_side, len(out))

    carried = np.zeros((blocks, len(Carries)), np.bool_)
    carried[block, carries] = True
    zone_owner, _ = select(plant, "zones", members, site_wide=True)
    several_zones = np.bincount(zone_owner, minlength=len(members))[subjects.member] > 1
    mixed = carried[:, AUDIO].any(axis=1) & carried[:, DC].any(axis=1) & several_zones
    return [
        twice,
        subjects.figures("polarity_reversed", **counted(place[equipment[meets[wrong]]]), limit=0.0),
        subjects.figures("clip_out", **counted(np.flatnonzero(out & joined)), limit=0.0),
        subjects.figures(
            "dc_on_audio", **counted(place[(audio | dc) & (both(place) | both(pair))]), limit=0.0
        ),
        subjects.figures("audio_with_dc", bands=mixed, limit=0.0),
    ]


def _rows_without_clip(plant: Plant, members: Members, blocks: Subjects, height: int) -> BoolArray:
    """(blocks * height,) by block and row whether its clip is out, or its cross-connect lifted."""
    owner, clip = select(plant, "clips", members)
    table, width = plant.clips, max(len(plant.block_id), 1)
    of = place_of(blocks.member * width + blocks.index, owner * width + table.block_index[clip])
    on_row = table.row[clip]
    known = (of >= 0) & (on_row < height) & ~table.is_in[clip]
    out = np.zeros(len(blocks.member) * height, np.bool_)
    out[of[known] * height + on_row[known]] = True
    return out


def _gauges(plant: Plant, wiring: Wiring) -> FigureBlock:
    """Gauge numbers outside the block's wire range, of the segments that land on it; an unknown gauge is
    banded."""
    home = np.flatnonzero(wiring.parent < 0)
    gauge = lookup(plant.cables.gauge_awg, plant.points.cable_index[wiring.row[home]])
    kind = plant.run_block_kind[wiring.runs.index[wiring.run[home]]]
    thickest, thinnest = GAUGE_RANGE_AWG[kind].T
    banded = np.where(np.isnan(gauge), UNKNOWN_GAUGE_AWG[:, None], gauge)
    outside = np.maximum(np.maximum(thickest - banded, banded - thinnest), 0.0)
    # of an unknown gauge either end of the range may be the kindest
    outside = np.where(np.isnan(gauge), np.stack([outside.min(0), outside[1], outside.max(0)]), outside)
    figure = extremes(wiring.run[home], outside, len(wiring.run_row), largest=True)
    return wiring.runs.figures("wire_gauge", bands=figure, limit=0.0, keep=~np.isnan(figure[1]))
