"""The plan of a fleet: the same for the same seed, a whole, and its zones as they were meant."""

from __future__ import annotations

import numpy as np
import pytest

from zones.fleet.batch import SITES_A_BATCH, Batch, Fate, refers_to
from zones.fleet.plan import plan_batch


@pytest.fixture(scope="module")
def batch() -> Batch:
    return plan_batch(11, 3)


def same(one: Batch, other: Batch) -> bool:
    return one.tables.keys() == other.tables.keys() and all(
        columns.keys() == other.tables[name].keys()
        and all(np.array_equal(columns[c], other.tables[name][c], equal_nan=True) for c in columns)
        for name, columns in one.tables.items()
    )


def test_a_seed_is_a_fleet(batch: Batch) -> None:
    assert same(batch, plan_batch(11, 3))
    assert not same(batch, plan_batch(12, 3))
    assert not same(batch, plan_batch(11, 4))


def test_references_name_rows_of_the_same_site(batch: Batch) -> None:
    checked = 0
    for name, columns in batch.tables.items():
        for column, values in columns.items():
            target = refers_to(column)
            if target not in batch.tables or target == "site":
                continue
            there = values[values >= 0]
            assert there.max(initial=0) < batch.count(target), (name, column)
            assert values.min(initial=-1) >= -1, (name, column)
            own = (np.arange(len(values)) if name == "site" else columns["site"])[values >= 0]
            assert (batch.tables[target]["site"][there] == own).all(), (name, column)
            checked += 1
    assert checked > 40


def test_parents_come_before_their_children(batch: Batch) -> None:
    facts, points = batch.tables["point_facts"], batch.tables["point"]
    hung = facts["parent"] >= 0
    parent = facts["parent"][hung]
    assert (points["rank"][parent] < facts["rank"][hung]).all()
    assert (points["run"][parent] == facts["run"][hung]).all()
    assert (points["rank"][facts["point"]] == facts["rank"]).all()


def test_a_smaller_batch_is_the_beginning_of_the_whole(batch: Batch) -> None:
    few = batch.beginning(7)
    assert few.count("site") == 7
    assert same(few.beginning(7), few)
    assert same(batch.beginning(SITES_A_BATCH), batch)
    lengths = batch.tables["point_facts"]["length_m"][batch.tables["point_facts"]["site"] < 7]
    assert np.array_equal(few.tables["point_facts"]["length_m"], lengths, equal_nan=True)


def test_sizes_are_those_of_the_trade() -> None:
    """Three to ten zones a site and twelve runs of twenty devices (field experience, no source)."""
    batches = [plan_batch(5, k) for k in range(4)]
    sites = SITES_A_BATCH * len(batches)
    zones, runs, points = (sum(b.count(name) for b in batches) for name in ("zone", "run", "point"))
    assert zones / sites == pytest.approx(8, rel=0.05)
    assert runs / sites == pytest.approx(12, rel=0.1)
    assert points / runs == pytest.approx(20, rel=0.1)
    fates = np.concatenate([b.tables["zone"]["fate"] for b in batches])
    shares = {fate: float((fates == fate).mean()) for fate in Fate}
    assert shares[Fate.PAST] == pytest.approx(0.02, abs=0.008)
    assert shares[Fate.NEAR] == pytest.approx(0.06, abs=0.012)
    assert shares[Fate.UNKNOWN] == pytest.approx(0.10, abs=0.015)
