"""The whole history of a batch of sites, from a seed: pure, no database.

>>> one, again = plan_batch(7, 0), plan_batch(7, 0)
>>> all((one.tables["point"][name] == again.tables["point"][name]).all() for name in one.tables["point"])
True
"""

from __future__ import annotations

import numpy as np

from zones.electrical.bands import Basis
from zones.fleet.batch import NONE, Batch, Fate, pick
from zones.fleet.cabling import LUMP, pull_cables
from zones.fleet.drift import drift
from zones.fleet.layout import lay_out, place_sources
from zones.fleet.terminations import land, take_readings


def plan_batch(seed: int, number: int) -> Batch:
    """Batch ``number`` (from 0) of the fleet of ``seed``: ``SITES_A_BATCH`` sites."""
    rng = np.random.default_rng([seed, number])
    batch = lay_out(rng, number)
    loads = pull_cables(rng, batch)
    place_sources(rng, batch, loads.high_current_a, loads.high_power_w)
    supplies = batch.tables["supply"]
    batch.add("supply_facts", {name: supplies[name] for name in ("change", "site", "model")} | {
        "supply": np.arange(batch.count("supply"))})  # fmt: skip
    _forget(rng, batch)
    land(rng, batch)
    take_readings(rng, batch, loads)
    drift(rng, batch, loads)
    return batch


def _forget(rng: np.random.Generator, batch: Batch) -> None:
    """Of some zones part is not known: lengths, models, how many devices hang at the end, or the cable."""
    zones, runs, facts = batch.tables["zone"], batch.tables["run"], batch.tables["point_facts"]
    what = pick(rng, {0: 0.3, 1: 0.25, 2: 0.2, 3: 0.1, 4: 0.15}, batch.count("zone"))
    what = np.where(zones["fate"] == Fate.UNKNOWN, what, NONE)[runs["zone"]][facts["run"]]
    number = facts["rank"].astype(np.int64)
    last = number == runs["count"][facts["run"]]

    unmeasured = (what == 0) & (number > 1)
    facts["length_m"][unmeasured], facts["length_basis"][unmeasured] = np.nan, Basis.UNKNOWN
    facts["model"][(what == 1) & (number % 3 == 1)] = NONE
    uncounted = (what == 2) & last
    facts["kind"][uncounted] = LUMP
    for name, count in (("count_low", 4), ("count_likely", 6), ("count_high", 9)):
        facts[name][uncounted] = count
    facts["cable"][what == 3] = NONE
    guessed = what == 4
    facts["length_basis"][guessed] = facts["current_basis"][guessed] = Basis.GUESSED
