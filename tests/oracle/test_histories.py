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

SITES_A_BATCH = 6
PAUSES = 3


@pytest.mark.parametrize("batch", range(5))
def test_the_service_agrees_with_the_oracle(batch: int) -> None:
    """Sites of invented histories, played side by side, swept together now and then and at the end."""
    report = Report()
    catalogue = make_catalogue()
    contract = factories.make_contract(factories.make_customer())
    seeds = range(batch * SITES_A_BATCH, (batch + 1) * SITES_A_BATCH)
    histories = [History(seed, catalogue, contract) for seed in seeds]
    play_and_compare(histories, random.Random(batch), report)
    tally = Tally()
    for history in histories:
        tally.add(history.tally)
    print(tally.accepted, dict(tally.refused), dict(report.compared), dict(report.knife_edges))
    assert not report.differences, "\n".join(report.differences[:40])


def play_and_compare(histories: list[History], rng: random.Random, report: Report) -> None:
    lengths = [rng.randint(22, 46) for _ in histories]
    playing = [history.play(length) for history, length in zip(histories, lengths, strict=True)]
    pauses = set(rng.sample(range(3, min(lengths)), PAUSES))
    now = dt.datetime.min.replace(tzinfo=dt.UTC)
    for round_ in range(1, max(lengths) + 1):
        for history in playing:
            next(history, None)
        if round_ in pauses:
            now = max(now, _now(histories, rng))
            sweep_and_compare(histories, now, report)
    now = max(now, _now(histories, rng) + dt.timedelta(days=400))
    computed = sweep_and_compare(histories, now, report)
    for _ in range(PAUSES):
        compare_evaluation([(each, rng.choice(each.record.steps())) for each in computed], report)


def sweep_and_compare(histories: list[History], now: dt.datetime, report: Report) -> list[Computed]:
    swept = sweep(now=now)
    assert not swept.failed, swept.failed
    computed = [Computed(read_record(history.site_id)) for history in histories]
    for each in computed:
        compare_sweep(each, now, report)
    return computed


def _now(histories: list[History], rng: random.Random) -> dt.datetime:
    """After the last change, or before some that are dated in the future by then."""
    days = sorted(day for history in histories for day in history.days)
    day = days[-1] + dt.timedelta(days=1) if rng.random() < 0.6 else rng.choice(days[len(days) // 3 :])
    return dt.datetime.combine(day, dt.time(12), dt.UTC)
