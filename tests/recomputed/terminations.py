"""What must not be on a block, on a wire or on the network twice (domain reference, sections 1, 2 and 5)."""

from __future__ import annotations

from collections import Counter
from typing import Final

from .bands import UNKNOWN_GAUGES
from .figures import BLOCK, ENDPOINT, RUN, Figure, Key
from .record import Record, Row
from .wiring import Run

OPPOSITES: Final = [
    {"audio_plus", "audio_minus"},
    {"dc_ground", "dc_minus"},
    {"line_hot", "line_common"},
]
# thickest and thinnest gauge that a block takes
GAUGES: Final = {"66_split": (20, 26), "66_unsplit": (20, 26), "110": (22, 26), "screw": (12, 26)}


def termination_figures(record: Record, step: int, runs: list[Run]) -> dict[Key, Figure]:
    figures: dict[Key, Figure] = {}
    by_block: dict[int, list[Row]] = {}
    for row in record.standing("landing", step):
        by_block.setdefault(row["block_id"], []).append(row)
    several_zones = len(record.standing("zone", step)) > 1
    for block_id, landings in by_block.items():
        crowd = Counter((row["row"], row["side"]) for row in landings)
        figures["row_used_twice", BLOCK, block_id] = _count(max(crowd.values()), 1.0)
        reversed_rows = {
            one["row"]
            for one in landings
            for other in landings
            if one["row"] == other["row"]
            and (one["side"], other["side"]) == ("equipment", "field")
            and {one["carries"], other["carries"]} in OPPOSITES
        }
        figures["polarity_reversed", BLOCK, block_id] = _count(len(reversed_rows), 0.0)
        carried = {row["carries"] for row in landings}
        both = bool(carried & OPPOSITES[0]) and bool(carried & OPPOSITES[1]) and several_zones
        figures["audio_with_dc", BLOCK, block_id] = _count(int(both), 0.0)
    for run in runs:
        _gauge(record, figures, run)
    _addresses(record, figures, step)
    return figures


def _count(number: int, limit: float) -> Figure:
    return Figure((float(number), float(number), float(number)), limit)


def _gauge(record: Record, figures: dict[Key, Figure], run: Run) -> None:
    thickest, thinnest = GAUGES[record.rows["block"][run.row["block_id"]]["kind"]]

    def outside(gauge: float) -> float:
        return float(max(thickest - gauge, gauge - thinnest, 0))

    bands = []
    for point in run.points:
        if point.parent is not None:
            continue
        gauge = record.cables.get(point.facts["cable_type_id"] or 0, {}).get("gauge_awg")
        if gauge is not None:
            bands.append((outside(gauge),) * 3)
        else:
            of_each = [outside(guess) for guess in UNKNOWN_GAUGES]
            bands.append((min(of_each), of_each[1], max(of_each)))
    if bands:
        low, likely, high = (max(band[k] for band in bands) for k in range(3))
        figures["wire_gauge", RUN, run.id] = Figure((low, likely, high), 0.0)


def _addresses(record: Record, figures: dict[Key, Figure], step: int) -> None:
    used = {
        row["id"]: (facts["address"], facts["vlan"])
        for row in record.standing("endpoint", step)
        if (facts := record.at("endpoint_facts", row["id"], step)).get("address") is not None
    }
    crowd = Counter(used.values())
    for endpoint_id, address in used.items():
        figures["address_used_twice", ENDPOINT, endpoint_id] = _count(crowd[address], 1.0)
