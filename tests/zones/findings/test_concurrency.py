"""What people do to a finding at once, or while a recheck is under way: none of it is lost."""

from __future__ import annotations

import datetime as dt
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any

import pytest
from django.db import connection, transaction

from sites.models import Mark, User
from tests.factories import make_user
from tests.zones.findings.conftest import ADDED, NOW, Quay
from tests.zones.recheck.conftest import another_connection
from zones.findings import rechecked
from zones.findings.conditions import Condition, conditions_of
from zones.findings.rechecked import findings_failed
from zones.findings.services import StaleVersionError, finding_acknowledge
from zones.findings.timeline import CANNOT_COMPUTE
from zones.models import Finding
from zones.recheck.batch import recheck
from zones.recheck.checked import Checked

PATIENCE_S = 20.0


def until_it_is_done_or_waits_for_a_lock(person: Future[Any]) -> None:
    """Asked over another connection: within a transaction the list of sessions stands still."""
    with another_connection() as watching:
        waiting = """SELECT count(*) FROM pg_stat_activity
                     WHERE datname = current_database() AND wait_event_type = 'Lock'"""
        deadline = time.monotonic() + PATIENCE_S
        while not person.done() and watching.execute(waiting).fetchone() == (0,):
            assert time.monotonic() < deadline, "nothing came of it"


def with_a_connection_of_its_own(act: Callable[[], Any]) -> Callable[[], Any]:
    def closing() -> Any:
        try:
            return act()
        finally:
            connection.close()

    return closing


@pytest.mark.django_db(transaction=True)
def test_of_two_who_acknowledge_with_one_version_one_does() -> None:
    quay = Quay()
    quay.cover()
    quay.add(12)
    recheck([quay.site_id], now=NOW)
    first, second = (make_user(User.Role.DISPATCHER) for _ in range(2))
    finding = quay.finding()

    def acknowledge() -> None:
        finding_acknowledge(
            finding=finding, user=second, reason="the second", expected_version=finding.version
        )

    with ThreadPoolExecutor(1) as pool:
        with transaction.atomic():
            finding_acknowledge(
                finding=finding, user=first, reason="the first", expected_version=finding.version
            )
            person = pool.submit(with_a_connection_of_its_own(acknowledge))
            until_it_is_done_or_waits_for_a_lock(person)
        with pytest.raises(StaleVersionError):
            person.result(PATIENCE_S)
    kept = quay.finding()
    assert (kept.state_reason, kept.version) == ("the first", finding.version + 1)
    assert quay.kinds() == ["case.opened", "case.acknowledged"]


@pytest.mark.django_db(transaction=True)
def test_an_acknowledgement_during_a_recheck_that_fails_is_kept() -> None:
    """A failure is written without a snapshot, so nothing makes it begin again: it locks what it reads."""
    quay = Quay()
    quay.cover()
    dispatcher = make_user(User.Role.DISPATCHER)
    with transaction.atomic():
        findings_failed(quay.site_id, "division by zero", NOW)
    people: list[Future[Any]] = []

    def acknowledge() -> None:
        finding_acknowledge(finding=quay.finding(CANNOT_COMPUTE), user=dispatcher, reason="seen")

    def meanwhile(execute: Callable[..., Any], statement: str, *more: Any) -> Any:
        found = execute(statement, *more)
        if f'FROM "{Finding._meta.db_table}"' in statement and not people:
            people.append(pool.submit(with_a_connection_of_its_own(acknowledge)))
            until_it_is_done_or_waits_for_a_lock(people[0])
        return found

    with ThreadPoolExecutor(1) as pool:
        with transaction.atomic(), connection.execute_wrapper(meanwhile):
            findings_failed(quay.site_id, "another reason", NOW + dt.timedelta(hours=1))
        (person,) = people
        person.result(PATIENCE_S)
    finding = quay.finding(CANNOT_COMPUTE)
    assert (finding.state, finding.state_reason) == ("acknowledged", "seen")
    assert finding.reasons == ["another reason"]


@pytest.mark.django_db(transaction=True)
def test_an_acknowledgement_during_a_recheck_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    quay = Quay()
    quay.cover()
    dispatcher = make_user(User.Role.DISPATCHER)
    quay.add(12)
    assert recheck([quay.site_id], now=NOW).checked == [quay.site_id]
    quay.add(4, ADDED + dt.timedelta(days=1))

    tries = []

    def acknowledge() -> None:
        finding_acknowledge(finding=quay.finding(), user=dispatcher, reason="seen")
        connection.close()

    def meanwhile(checked: Checked) -> list[Condition]:
        found = conditions_of(checked)  # the snapshot is taken
        tries.append(checked)
        if len(tries) == 1:
            person = threading.Thread(target=acknowledge)
            person.start()
            person.join()
        return found

    monkeypatch.setattr(rechecked, "conditions_of", meanwhile)
    assert recheck([quay.site_id], now=NOW + dt.timedelta(hours=1)).checked == [quay.site_id]
    assert len(tries) == 2
    finding = quay.finding()
    assert (finding.state, finding.state_reason) == ("acknowledged", "seen")
    assert finding.likely == pytest.approx(1.99)
    assert quay.kinds() == ["case.opened", "case.acknowledged", "case.changed"]
    assert not Mark.objects.filter(site_id=quay.site_id).exists()
