"""What the blocks and addresses show without any network being solved: counts of things that must not be.

Row used twice, landing polarity reversed, audio and DC together, wire too thick or thin for the block,
address used twice. Each is a figure like any other, so that attribution and history treat them alike.
"""

from __future__ import annotations

import numpy as np

from .bands import IntArray
from .figures import FigureBlock, extremes
from .plant import BlockKind, BoolArray, Carries, Members, Plant, select
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

GAUGE_RANGE_AWG = {
    BlockKind.SPLIT_66: (20, 26),
    BlockKind.UNSPLIT_66: (20, 26),
    BlockKind.TYPE_110: (22, 26),
    BlockKind.SCREW: (12, 26),
}
"""(thickest, thinnest) solid conductor a block takes. 110-type: its connecting-hardware standard; the others
common practice, no source: a block's own data sheet governs."""


def evaluate_terminations(plant: Plant, members: Members, wiring: Wiring) -> list[FigureBlock]:
    """Figures row_used_twice, polarity_reversed, audio_with_dc (by block), wire_gauge (by run) and
    address_used_twice (by endpoint)."""
    return [*_blocks(plant, members), _gauges(plant, wiring), _addresses(plant, members)]


def _blocks(plant: Plant, members: Members) -> list[FigureBlock]:
    owner, row = select(plant, "landings", members)
    table = plant.landings
    width = max(len(plant.block_id), 1)
    block_key = owner * width + table.block_index[row]
    keys, block = np.unique(block_key, return_inverse=True)
    group = np.zeros(len(keys), np.int64)
    group[block] = table.group[row]
    common = {"member": keys // width, "subject": keys % width, "group": group}

    def counted(code: str, figure: IntArray, limit: float, detail: IntArray | None = None) -> FigureBlock:
        return FigureBlock.of(
            code,
            SubjectKind.BLOCK,
            **common,
            bands=np.stack([figure.astype(float)] * 3),
            limit=limit,
            detail=detail,
        )

    side = table.field_side[row].astype(np.int64)
    height = int(table.row[row].max(initial=0)) + 1
    places, crowd = np.unique((block * height + table.row[row]) * 2 + side, return_counts=True)
    block_of_place, row_of_place = places // 2 // height, places // 2 % height
    most = np.zeros(len(keys), np.int64)
    np.maximum.at(most, block_of_place, crowd)
    worst = first_where_extreme(block_of_place, crowd.astype(float), len(keys), largest=True)
    twice = counted("row_used_twice", most, 1.0, np.append(row_of_place, -1)[worst])

    # a conductor on one side meets those on the other side of its row
    def sided(which: int) -> tuple[IntArray, IntArray]:
        at = np.flatnonzero(side == which)
        key = block[at] * height + table.row[row[at]]
        order = np.argsort(key, kind="stable")
        return at[order], key[order]

    equipment, equipment_key = sided(0)
    field, field_key = sided(1)
    first = np.searchsorted(field_key, equipment_key)
    last = np.searchsorted(field_key, equipment_key, side="right")
    meets = np.repeat(np.arange(len(equipment)), last - first)
    partner = (
        np.arange(len(meets))
        - np.repeat(np.cumsum(last - first) - (last - first), last - first)
        + first[meets]
    )
    put_on, taken = table.carries[row[equipment[meets]]], table.carries[row[field[partner]]]
    wrong = OPPOSITE[put_on] == taken
    rows_wrong = np.unique(equipment_key[meets][wrong])
    reversed_count = np.bincount(rows_wrong // height, minlength=len(keys))
    first_wrong = np.full(len(keys), -1)
    first_wrong[(rows_wrong // height)[::-1]] = (rows_wrong % height)[::-1]
    polarity = counted("polarity_reversed", reversed_count, 0.0, first_wrong)

    carries = table.carries[row]

    def any_of(*kinds: int) -> BoolArray:
        return np.bincount(block[np.isin(carries, kinds)], minlength=len(keys)) > 0

    zone_owner, _ = select(plant, "zones", members, site_wide=True)
    several = np.bincount(zone_owner, minlength=len(members))[keys // width] > 1
    both = (
        any_of(Carries.AUDIO_POSITIVE, Carries.AUDIO_NEGATIVE)
        & any_of(Carries.DC_POSITIVE, Carries.DC_NEGATIVE)
        & several
    )
    return [twice, polarity, counted("audio_with_dc", both.astype(np.int64), 0.0)]


def _gauges(plant: Plant, wiring: Wiring) -> FigureBlock:
    """Gauge numbers outside what the block takes, of the segments that land on it; an unknown gauge is
    banded."""
    home = np.flatnonzero(wiring.parent < 0)
    gauge = np.append(plant.cables.gauge_awg, np.nan)[plant.points.cable_index[wiring.row[home]]]
    kind = plant.run_block_kind[plant.runs.run_index[wiring.run_row[wiring.run[home]]]]
    thickest = np.array([GAUGE_RANGE_AWG[k][0] for k in range(4)])[kind]
    thinnest = np.array([GAUGE_RANGE_AWG[k][1] for k in range(4)])[kind]
    banded = np.where(np.isnan(gauge), UNKNOWN_GAUGE_AWG[:, None], gauge)
    outside = np.maximum(np.maximum(thickest - banded, banded - thinnest), 0.0)
    # unknown: the kindest of its gauges is the low estimate, whichever end of the range is near
    outside = np.where(np.isnan(gauge), np.stack([outside.min(0), outside[1], outside.max(0)]), outside)
    runs = len(wiring.run_row)
    figure = extremes(wiring.run[home], outside, runs, largest=True)
    keep = np.isfinite(figure[1])
    run_row = wiring.run_row[keep]
    return FigureBlock.of(
        "wire_gauge",
        SubjectKind.RUN,
        member=wiring.run_member[keep],
        subject=plant.runs.run_index[run_row],
        group=plant.runs.group[run_row],
        bands=figure[:, keep],
        limit=0.0,
    )


def _addresses(plant: Plant, members: Members) -> FigureBlock:
    owner, row = select(plant, "addresses", members)
    table = plant.addresses
    pairs = np.column_stack([owner, table.address_code[row]])
    _, which, crowd = np.unique(pairs, axis=0, return_inverse=True, return_counts=True)
    return FigureBlock.of(
        "address_used_twice",
        SubjectKind.ENDPOINT,
        member=owner,
        subject=table.endpoint_index[row],
        group=table.group[row],
        bands=np.stack([crowd[which.ravel()].astype(float)] * 3),
        limit=1.0,
    )
