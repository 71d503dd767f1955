"""The service and the oracle agree on invented histories: figures, verdicts, findings, attributions, cases."""

from __future__ import annotations

import datetime as dt
import random

import pytest

from tests import factories
from zones.recheck.sweep import sweep

from .comparing import Report, compare_evaluation, compare_sweep
from .computing import Computed
from .histories.catalogue import make_catalogue
from .histories.playing import History
from .histories.things import Tally
from .record import read_record

pytestmark = pytest.mark.django_db(transaction=True)

SITES_A_BATCH = 5
CHANGE_SETS_A_SITE = 34


@pytest.mark.parametrize("batch", range(6))
def test_the_service_agrees_with_the_oracle(batch: int) -> None:
    report, tally = Report(), Tally()
    catalogue = make_catalogue()
    contract = factories.make_contract(factories.make_customer())
    for number in range(SITES_A_BATCH):
        seed = batch * SITES_A_BATCH + number
        history = History(seed, catalogue, contract)
        play_and_compare(history, random.Random(-seed), report)
        tally.add(history.tally)
    print(tally.accepted, dict(tally.refused), dict(report.compared), dict(report.knife_edges))
    assert not report.differences, "\n".join(report.differences[:40])


def play_and_compare(history: History, rng: random.Random, report: Report) -> None:
    pauses = set(rng.sample(range(3, CHANGE_SETS_A_SITE - 1), 3))
    now = dt.datetime.min.replace(tzinfo=dt.UTC)
    for _ in history.play(CHANGE_SETS_A_SITE):
        if history.tally.accepted in pauses:
            now = max(now, _now(history, rng))
            sweep_and_compare(history, now, report)
    now = max(now, _now(history, rng) + dt.timedelta(days=400))
    computed = sweep_and_compare(history, now, report)
    for step in rng.sample(computed.record.steps(), 3):
        compare_evaluation(computed, step, report)


def sweep_and_compare(history: History, now: dt.datetime, report: Report) -> Computed:
    swept = sweep(now=now)
    assert not swept.failed, swept.failed
    computed = Computed(read_record(history.site_id))
    compare_sweep(computed, now, report)
    return computed


def _now(history: History, rng: random.Random) -> dt.datetime:
    """After the last change, or before some that are dated in the future by then."""
    days = sorted(history.days)
    day = days[-1] + dt.timedelta(days=1) if rng.random() < 0.7 else rng.choice(days)
    return dt.datetime.combine(day, dt.time(12), dt.UTC)
