"""The service and the oracle agree on what tests should have read, what proves a run, and what is due."""

from __future__ import annotations

import datetime as dt
import random

import pytest
from django.db import connection
from django.utils import timezone

from sites.changes.steps import first_step_after
from sites.models import ChangeSet
from tests import factories
from zones.recheck.recheck_queue import mark_sites
from zones.recheck.sweep import sweep

from .anchoring import Anchored
from .comparing import Report
from .comparing_proofs import compare_outcomes, compare_proofs, compare_proofs_at
from .histories.catalogue import make_catalogue
from .histories.proving import ProvedHistory, make_contracts, make_instruments
from .histories.things import Tally
from .proving import ASKS_AGAIN, Proving
from .record import Record, read_record

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]

SITES, STEPS, PAUSE = 6, 3, 16
KEPT = [dt.date(2023, 5, 1), dt.date(2023, 12, 1), dt.date(2024, 6, 1)]
"""From which day proofs are kept, one after the other: before most sites are built, and in their midst."""
MEASURED = ["run_current", "end_voltage", "loop_resistance", "line_impedance", "level"]
# How often the histories of each chapter bring each about, at least
SEEN = {
    **{f"test {verdict}": 10 for verdict in ("passed", "failed", "as_expected", "outside", "cannot_judge")},
    **{f"{kind} {verdict}": 1 for kind in MEASURED for verdict in ("as_expected", "outside")},
    **{f"proof {verdict}": 25 for verdict in ("passed", "failed", "missing", "to_repeat")},
    **{f"{kind} again: {what}": 10 for what, kinds in ASKS_AGAIN.items() for kind in kinds},
    "superseded": 4,
    "superseded of a proof, moved": 5,
    "superseded of a proof, turned": 3,
    "proven": 25,
    "proof by survey": 25,
    "due": 10,
    "due, proven": 10,
    "due, surveyed": 3,
    "in_service_unproven 0": 5,
    "in_service_unproven 1": 10,
    "test_overdue 1": 20,
}


def test_the_service_agrees_on_tests_proofs_and_due_days(chapter: int, pytestconfig: pytest.Config) -> None:
    """Sites played side by side, swept now and then while proofs are kept from one day or another; their
    proofs looked at on days of their own. At last proofs are kept from after a part of it was recorded, and
    from after all of it."""
    report, tally = Report(), Tally()
    catalogue, contracts, tools = make_catalogue(), make_contracts(), make_instruments()
    rng = random.Random(f"proofs {chapter}")
    first = 5000 + chapter * SITES
    histories = [ProvedHistory(first + number, catalogue, contracts, tools) for number in range(SITES)]
    lengths = [rng.randint(90, 130) for _ in histories]
    playing = [history.play(length) for history, length in zip(histories, lengths, strict=True)]
    now = dt.datetime.min.replace(tzinfo=dt.UTC)
    for round_ in range(1, max(lengths) + 1):
        over = {next(play, "over") for play in playing} == {"over"}
        if round_ % PAUSE == 0 or over:
            day = max(history.day for history in histories) + dt.timedelta(days=rng.choice([1, 40, 400]))
            now = max(now, dt.datetime.combine(day, dt.time(12), dt.UTC))
            factories.keep_proofs(rng.choice(KEPT))
            _sweep_and_compare(histories, now, rng, report)
        if over:
            break
    for history in histories:
        history.measure()
    today = timezone.now().date()
    _record_earlier(rng.uniform(0.3, 0.7), days=400)
    for kept in (today - dt.timedelta(days=200), today + dt.timedelta(days=2)):
        now += dt.timedelta(days=1000)
        factories.keep_proofs(kept)
        records = _sweep_and_compare(histories, now, rng, report)
    for record in records:
        compare_outcomes(Anchored(record), report)
    for history in histories:
        tally.add(history.tally)
    print(f"{tally.accepted} change sets accepted; refused: {dict(tally.refused)}")
    print(f"compared: {dict(sorted(report.compared.items()))}")
    assert not report.differences, "\n".join(report.differences[:40])
    seldom = {what: report.compared[what] for what, least in SEEN.items() if report.compared[what] < least}
    assert seldom == {}


def _record_earlier(part: float, *, days: int) -> None:
    """As if the first part of all change sets had been recorded so many days earlier."""
    ids = list(ChangeSet.objects.order_by("id").values_list("id", flat=True))
    with connection.cursor() as cursor:
        cursor.execute("ALTER TABLE change_set DISABLE TRIGGER USER")
        cursor.execute(
            "UPDATE change_set SET recorded_at = recorded_at - make_interval(days => %s) WHERE id <= %s",
            [days, ids[int(len(ids) * part)]],
        )
        cursor.execute("ALTER TABLE change_set ENABLE TRIGGER USER")


def _sweep_and_compare(
    histories: list[ProvedHistory], now: dt.datetime, rng: random.Random, report: Report
) -> list[Record]:
    # another day from which proofs are kept is no change of a site
    mark_sites([history.site_id for history in histories], reason="asked for")
    swept = sweep(now=now)
    assert not swept.failed, swept.failed
    records = [read_record(history.site_id) for history in histories]
    for record in records:
        compare_proofs(record, now, report)
    proving = [Proving(record) for record in records]
    for at in [_some_step] * STEPS + [_at_an_edge] * STEPS:
        compare_proofs_at([(one, at(one, rng)) for one in proving], report)
    return records


def _some_step(proving: Proving, rng: random.Random) -> int:
    """One at which something was tested or wired, the one before, or one long after."""
    return rng.choice(proving.steps()) + rng.choice([-1, 0, 0, 65536 * 50])


def _at_an_edge(proving: Proving, rng: random.Random) -> int:
    """The end of a day on which some test is due, or a contract begins or ends, or of one beside it."""
    due = proving.due(_some_step(proving, rng)).values()
    days = [one.due_on for one in due if rng.random() < 0.3]
    days += [day for one in proving.record.covered for day in (one.first, one.end) if day is not None]
    if not days:
        return _some_step(proving, rng)
    return first_step_after(rng.choice(days) + dt.timedelta(days=rng.choice([-1, 0, 1]))) - 1
