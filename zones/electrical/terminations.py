"""Faults on blocks and in addresses, counted without solving a network.

Row used twice, polarity reversed, audio and DC together, conductor outside its block's wire range, address
used twice. Each is a figure like any other, so attribution and history need no case of their own.
"""

from __future__ import annotations

import numpy as np

from .figures import FigureBlock, Subjects, extremes, lookup
from .plant import BlockKind, Carries, Members, Plant, expand, select
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

GAUGE_RANGE_AWG = np.empty((len(BlockKind), 2), np.int64)
GAUGE_RANGE_AWG[[BlockKind.SPLIT_66, BlockKind.UNSPLIT_66]] = 20, 26
GAUGE_RANGE_AWG[BlockKind.TYPE_110] = 22, 26
GAUGE_RANGE_AWG[BlockKind.SCREW] = 12, 26
"""By ``BlockKind``: thickest and thinnest solid conductor in its wire range. 110-type: its
connecting-hardware standard; the others common practice, no source: a block's own data sheet governs."""


def evaluate_terminations(plant: Plant, members: Members, wiring: Wiring) -> list[FigureBlock]:
    """Figures row_used_twice, polarity_reversed, audio_with_dc (by block), wire_gauge (by run) and
    address_used_twice (by endpoint)."""
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
    rows_wrong = np.unique(place[equipment[meets[wrong]]])
    reversed_count = np.bincount(rows_wrong // height, minlength=blocks)
    first_wrong = np.full(blocks, -1)
    first_wrong[(rows_wrong // height)[::-1]] = (rows_wrong % height)[::-1]
    polarity = subjects.figures("polarity_reversed", bands=reversed_count, limit=0.0, detail=first_wrong)

    carried = np.zeros((blocks, len(Carries)), np.bool_)
    carried[block, carries] = True
    zone_owner, _ = select(plant, "zones", members, site_wide=True)
    several_zones = np.bincount(zone_owner, minlength=len(members))[subjects.member] > 1
    audio = carried[:, [Carries.AUDIO_POSITIVE, Carries.AUDIO_NEGATIVE]].any(axis=1)
    dc = carried[:, [Carries.DC_POSITIVE, Carries.DC_NEGATIVE]].any(axis=1)
    return [twice, polarity, subjects.figures("audio_with_dc", bands=audio & dc & several_zones, limit=0.0)]


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
