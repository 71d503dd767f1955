"""What lies on the blocks, and what instruments said at commissioning."""

from __future__ import annotations

import numpy as np

from zones.fleet.batch import Batch, Columns, Fate, RunKind
from zones.fleet.cabling import Loads

FIELD, EQUIPMENT = 0, 1
AUDIO_POSITIVE, AUDIO_NEGATIVE, DC_POSITIVE, DC_NEGATIVE, LINE_HOT, LINE_COMMON = range(6)
_AUDIO_BLOCK, _DC_BLOCK = 0, 1


def land(rng: np.random.Generator, batch: Batch) -> None:
    """Each pair on two rows, run on the field side, its source on the other; here and there a pair reversed,
    or two wires on one contact."""
    runs = batch.tables["run"]
    amplified = np.flatnonzero(runs["kind"] == RunKind.SELF_AMPLIFIED)
    lines = np.flatnonzero(runs["kind"] != RunKind.SELF_AMPLIFIED)
    # seldom, for what is wrong with a block bears on every zone behind it
    reversed_dc = np.where(rng.random(batch.count("run")) < 0.0003, 1, 0)
    same_row = np.where(rng.random(batch.count("run")) < 0.0002, 1, 0)
    as_it_should = np.zeros(batch.count("run"), np.int64)
    # (runs, block of their closet, pair, source, what its conductors carry, which are reversed)
    for of, use, pair, source, roles, crossed in (
        (amplified, _AUDIO_BLOCK, 1, "output", (AUDIO_POSITIVE, AUDIO_NEGATIVE), as_it_should),
        (amplified, _DC_BLOCK, 2, "supply", (DC_POSITIVE, DC_NEGATIVE), reversed_dc),
        (lines, 2, 1, "amplifier", (LINE_HOT, LINE_COMMON), as_it_should),
    ):
        for conductor in (0, 1):
            row = 2 * runs["place_on_block"][of] + conductor + 1
            common = {
                "change": runs["site"][of], "site": runs["site"][of], "block": 3 * runs["closet"][of] + use,
                "pair": np.full(len(of), pair), "conductor": np.full(len(of), conductor),
            }  # fmt: skip
            crowded = row - conductor * same_row[of]
            carries = np.array(roles)[np.where(crossed[of] == 1, 1 - conductor, conductor)]
            field = {"side": np.full(len(of), FIELD), "run": of, "row": crowded, "carries": carries}
            batch.add("landing", {**common, **field})
            equipment: Columns = {
                "side": np.full(len(of), EQUIPMENT), source: runs[source][of], "row": row,
                "carries": np.full(len(of), roles[conductor]),
            }  # fmt: skip
            batch.add("landing", {**common, **equipment})


def take_readings(rng: np.random.Generator, batch: Batch, loads: Loads) -> None:
    """The run current of some runs, read while paging on the day they were put up."""
    runs = batch.tables["run"]
    ordinary = (runs["kind"] == RunKind.SELF_AMPLIFIED) & (runs["fate"] == Fate.ORDINARY)
    read = np.flatnonzero(ordinary & (rng.random(batch.count("run")) < 0.2))
    batch.add(
        "reading",
        {"change": runs["site"][read], "site": runs["site"][read], "run": read,
         "value": (loads.likely_current_a[read] * rng.uniform(0.97, 1.03, len(read))).round(3),
         "technician": rng.integers(0, 40, len(read))},
    )  # fmt: skip
