"""The whole history of a batch of sites, from a seed: pure, no database.

>>> one, again = plan_batch(7, 0), plan_batch(7, 0)
>>> all((one.tables["point"][name] == again.tables["point"][name]).all() for name in one.tables["point"])
True
"""

from __future__ import annotations

import numpy as np

from zones.electrical.bands import Basis
from zones.fleet.batch import NONE, Batch, Gap
from zones.fleet.cabling import UNCOUNTED_GROUP, pull_cables
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
    batch.add("supply_facts", {name: supplies[name].copy() for name in ("change", "site", "model")} | {
        "supply": np.arange(batch.count("supply"))})  # fmt: skip
    _forget(batch)
    land(rng, batch)
    take_readings(rng, batch, loads)
    drift(rng, batch, loads)
    return batch


def _forget(batch: Batch) -> None:
    """Of some zones part was never written down."""
    runs, facts = batch.tables["run"], batch.tables["point_facts"]
    gap = runs["gap"][facts["run"]]
    number = facts["rank"].astype(np.int64)

    unmeasured = gap == Gap.LENGTHS
    facts["length_m"][unmeasured], facts["length_basis"][unmeasured] = np.nan, Basis.UNKNOWN
    facts["model"][(gap == Gap.MODELS) & (number % 3 == 1)] = NONE
    uncounted = (gap == Gap.COUNT) & (number == runs["count"][facts["run"]])
    facts["kind"][uncounted] = UNCOUNTED_GROUP
    for name, count in (("count_low", 1), ("count_likely", 3), ("count_high", 18)):
        facts[name][uncounted] = count
    untapped = gap == Gap.TAPS
    facts["tap_power_w"][untapped], facts["tap_basis"][untapped] = np.nan, Basis.UNKNOWN
    facts["cable"][gap == Gap.CABLE] = NONE
    for source, table, unrated in (
        ("supply", "supply_facts", Gap.SUPPLY),
        ("amplifier", "amplifier", Gap.AMPLIFIER),
    ):
        batch.tables[table]["model"][runs[source][runs["gap"] == unrated]] = NONE
