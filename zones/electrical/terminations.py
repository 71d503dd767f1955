"""Faults on blocks and in addresses, counted without solving a network.

What lies on rows and pairs, clips left out, conductors outside their block's wire range, and addresses used
twice.
Each is a figure like any other, so attribution and history need no case of their own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

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

SIDE_TAKES = np.ones((len(BlockKind), 2), np.int64)
SIDE_TAKES[BlockKind.SPLIT_66, 1] = 2
SIDE_TAKES[[BlockKind.UNSPLIT_66, BlockKind.SCREW]] = 2
"""By ``BlockKind``, and 1 where the clip is out: how many conductors one side of a row takes. Common
practice, no source: a block's own data sheet governs."""

GAUGE_RANGE_AWG = np.empty((len(BlockKind), 2), np.int64)
GAUGE_RANGE_AWG[[BlockKind.SPLIT_66, BlockKind.UNSPLIT_66]] = 20, 26
GAUGE_RANGE_AWG[BlockKind.TYPE_110] = 22, 26
GAUGE_RANGE_AWG[BlockKind.SCREW] = 12, 26
"""By ``BlockKind``: thickest and thinnest solid conductor in its wire range. 110-type: its
connecting-hardware standard; the others common practice, no source: a block's own data sheet governs."""
IDC = [BlockKind.SPLIT_66, BlockKind.UNSPLIT_66, BlockKind.TYPE_110]
"""Blocks with insulation-displacement contacts, which take solid wire."""


TERMINATION_CODES: Final = frozenset(
    {
        "row_used_twice", "polarity_reversed", "audio_reversed", "clip_out", "dc_on_audio", "audio_with_dc",
        "wire_gauge", "stranded_on_idc", "address_used_twice",
    }
)  # fmt: skip


def evaluate_terminations(plant: Plant, members: Members, wiring: Wiring) -> list[FigureBlock]:
    """Figures row_used_twice, polarity_reversed, audio_reversed, clip_out, dc_on_audio, audio_with_dc (by
    block), wire_gauge, stranded_on_idc (by run) and address_used_twice (by endpoint)."""
    owner, row = select(plant, "addresses", members)
    table = plant.addresses
    endpoints = Subjects(SubjectKind.ENDPOINT, owner, table.endpoint_index[row], table.group[row])
    _, same = Subjects.distinct(SubjectKind.ENDPOINT, owner, table.address_code[row], table.group[row])
    twice = endpoints.figures("address_used_twice", bands=np.bincount(same)[same], limit=1.0)
    return [*_blocks(plant, members), _gauges(plant, wiring), _stranded(plant, wiring), twice]


@dataclass(frozen=True)
class _Landed:
    """The n conductors on b blocks, rows being numbered below ``height``.

    blocks: those that have some. block: (n,) its place among them. place: (n,) block * height + row. pair:
    (n,) equal where the pair is. on_field_side, carries: (n,). without_clip: (b * height,) whether the clip
    there is out, or the cross-connect lifted.
    """

    blocks: Subjects
    height: int
    block: IntArray
    place: IntArray
    on_field_side: BoolArray
    pair: IntArray
    carries: IntArray
    without_clip: BoolArray

    def rows(self, places: IntArray) -> dict[str, Any]:
        """How many rows of each block are among ``places``, and the first of them."""
        rows, count = np.unique(places), len(self.blocks.member)
        first = np.full(count, -1)
        first[(rows // self.height)[::-1]] = (rows % self.height)[::-1]
        return {"bands": np.bincount(rows // self.height, minlength=count), "detail": first}


def _blocks(plant: Plant, members: Members) -> list[FigureBlock]:
    landed = _landed(plant, members)
    carries, place, blocks = landed.carries, landed.place, len(landed.blocks.member)
    audio, dc = np.isin(carries, AUDIO), np.isin(carries, DC)

    def meet(one: BoolArray, other: BoolArray, of: IntArray) -> BoolArray:
        """(n,) whether both meet on what each conductor is on."""
        count = int(of.max(initial=-1)) + 1
        found: BoolArray = (any_of(of, one, count) & any_of(of, other, count))[of]
        return found

    used = carries != Carries.SPARE
    joined = meet(used & landed.on_field_side, used & ~landed.on_field_side, place)
    # whether clips are in does not matter to DC: what a pulled clip parts is joined again when it is inserted
    together = (audio | dc) & (meet(audio, dc, place) | meet(audio, dc, landed.pair))
    zone_owner, _ = select(plant, "zones", members, site_wide=True)
    several_zones = np.bincount(zone_owner, minlength=len(members))[landed.blocks.member] > 1
    mixed = any_of(landed.block, audio, blocks) & any_of(landed.block, dc, blocks) & several_zones
    crossed, of_dc = _reversed(landed)
    figures = landed.blocks.figures
    return [
        _row_used_twice(plant, landed),
        figures("polarity_reversed", **landed.rows(crossed[of_dc]), limit=0.0),
        figures("audio_reversed", **landed.rows(crossed[~of_dc]), limit=0.0),
        figures("clip_out", **landed.rows(place[joined & landed.without_clip[place]]), limit=0.0),
        figures("dc_on_audio", **landed.rows(place[together]), limit=0.0),
        figures("audio_with_dc", bands=mixed, limit=0.0),
    ]


def _landed(plant: Plant, members: Members) -> _Landed:
    owner, row = select(plant, "landings", members)
    table = plant.landings
    blocks, block = Subjects.distinct(SubjectKind.BLOCK, owner, table.block_index[row], table.group[row])
    height = int(table.row[row].max(initial=0)) + 1
    cable = np.unique(table.cable_code[row], return_inverse=True)[1]
    pairs_max = int(table.pair.max(initial=0)) + 1
    in_pair = (block * len(row) + cable) * pairs_max + table.pair[row]
    return _Landed(
        blocks=blocks,
        height=height,
        block=block,
        place=block * height + table.row[row],
        on_field_side=table.field_side[row],
        pair=np.unique(in_pair, return_inverse=True)[1],
        carries=table.carries[row],
        without_clip=_without_clip(plant, members, blocks, height),
    )


def _without_clip(plant: Plant, members: Members, blocks: Subjects, height: int) -> BoolArray:
    """(blocks * height,) by block and row whether its clip is out, or its cross-connect lifted."""
    owner, clip = select(plant, "clips", members)
    table, width = plant.clips, max(len(plant.block_id), 1)
    of = place_of(blocks.member * width + blocks.index, owner * width + table.block_index[clip])
    on_row = table.row[clip]
    known = (of >= 0) & (on_row < height) & ~table.is_in[clip]
    out = np.zeros(len(blocks.member) * height, np.bool_)
    out[of[known] * height + on_row[known]] = True
    return out


def _row_used_twice(plant: Plant, landed: _Landed) -> FigureBlock:
    """The conductors on the side of a row that exceeds what it takes by most, and what it takes."""
    sides, crowd = np.unique(landed.place * 2 + landed.on_field_side, return_counts=True)
    place = sides // 2
    block = place // landed.height
    kind = plant.block_kind[landed.blocks.index[block]]
    takes = SIDE_TAKES[kind, landed.without_clip[place].astype(np.int64)]
    fullest = first_where_extreme(
        block, (crowd - takes).astype(float), len(landed.blocks.member), largest=True
    )
    return landed.blocks.figures(
        "row_used_twice",
        bands=crowd[fullest],
        limit=takes[fullest].astype(float),
        detail=(place % landed.height)[fullest],
    )


def _reversed(landed: _Landed) -> tuple[IntArray, BoolArray]:
    """Places at which a conductor on the equipment side meets its opposite on the field side, and whether
    they are of DC."""
    place = landed.place
    equipment, field = np.flatnonzero(~landed.on_field_side), np.flatnonzero(landed.on_field_side)
    field = field[np.argsort(place[field], kind="stable")]
    first = np.searchsorted(place[field], place[equipment])
    last = np.searchsorted(place[field], place[equipment], side="right")
    meets, partner = expand(first, last)
    wrong = OPPOSITE[landed.carries[equipment[meets]]] == landed.carries[field[partner]]
    crossed = equipment[meets[wrong]]
    return place[crossed], np.isin(landed.carries[crossed], DC)


def _gauges(plant: Plant, wiring: Wiring) -> FigureBlock:
    """Gauge numbers outside the block's wire range, of the segments that land on it; an unknown gauge is
    banded."""
    home = np.flatnonzero(wiring.parent < 0)
    gauge = lookup(plant.cables.gauge_awg, plant.points.cable_index[wiring.row[home]])
    kind = plant.run_block_kind[wiring.runs.index[wiring.run[home]]]
    thickest, thinnest = GAUGE_RANGE_AWG[kind].T
    banded = np.where(np.isnan(gauge), UNKNOWN_GAUGE_AWG[:, None], gauge)
    outside = np.maximum(np.maximum(thickest - banded, banded - thinnest), 0.0)
    figure = extremes(wiring.run[home], outside, len(wiring.run_row), largest=True)
    return wiring.runs.figures("wire_gauge", bands=figure, limit=0.0, keep=~np.isnan(figure[1]))


def _stranded(plant: Plant, wiring: Wiring) -> FigureBlock:
    """Segments of stranded wire that land on insulation-displacement contacts, and the first of them.

    Category cable is solid unless it is recorded otherwise; of a run with other cable of which nothing is
    recorded nothing is said.
    """
    on_idc = np.isin(plant.run_block_kind[wiring.runs.index], IDC)
    home = np.flatnonzero((wiring.parent < 0) & on_idc[wiring.run])
    run, runs = wiring.run[home], len(wiring.run_row)
    cable = plant.points.cable_index[wiring.row[home]]
    stranded = lookup(plant.cables.stranded, cable)
    stranded = np.where((stranded < 0) & lookup(plant.cables.category, cable), 0, stranded)
    wrong = first_where_extreme(run, np.where(stranded == 1, 1.0, np.nan), runs, largest=True)
    known = any_of(run, stranded == 0, runs) & ~any_of(run, stranded < 0, runs)
    point = plant.point_id[plant.points.point_index[wiring.row[home]]]
    return wiring.runs.figures(
        "stranded_on_idc",
        bands=np.bincount(run[stranded == 1], minlength=runs),
        limit=0.0,
        detail=lookup(point, wrong),
        keep=known | (wrong >= 0),
    )
