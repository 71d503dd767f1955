"""SIGKILL at each step of a sweep loses nothing and doubles nothing.

What is left of a site after that, and after the next sweep, is compared with what is left of a site with the
same record that was not disturbed.
"""

from __future__ import annotations

import os
import signal
from pathlib import Path
from typing import Any

import pytest
from django.db import connection
from django.utils import timezone

from sites.models.changes import Mark
from tests.resilience.conftest import Processes, until_alone
from tests.resilience.left import (
    BEFORE_IT,
    DAY,
    left_of,
    overloaded,
    overloaded_from_yesterday,
    within_its_limits,
)
from tests.resilience.pausing import (
    CHORES,
    COMMITTED,
    FAILURE_COMMITTED,
    FAILURE_TOLD,
    FAILURE_UNCOMMITTED,
    MARKING,
    UNCOMMITTED,
)
from tests.resilience.spoiling import REASON
from tests.resilience.test_brokers import WORKER
from tests.zones.recheck.conftest import another_connection
from zones.electrical.evaluate import SOLVER_VERSION
from zones.models import DueDate, Finding, SiteCheck
from zones.recheck.recheck_queue import mark_sites
from zones.recheck.sweep import sweep

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]

BULK, SET_ASIDE = Mark.Lane.BULK, Mark.Lane.SET_ASIDE


@pytest.fixture
def undisturbed(transactional_db: None) -> dict[str, Any]:
    quay = overloaded()
    assert sweep().checked == 1
    left = left_of(quay.site_id)
    assert left["figures"]
    assert left["findings"]
    assert left["events"]["case.opened"] == 1
    assert left["marks"] == []
    return left


# --- a recheck ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("step", UNCOMMITTED)
def test_a_sweeper(step: str, undisturbed: dict[str, Any], processes: Processes) -> None:
    disturbed = overloaded()
    before = left_of(disturbed.site_id)
    sweeper = processes.start_and_pause(step, "tests.resilience.sweeping")

    assert left_of(disturbed.site_id) == before  # half of it is nothing
    assert sweep().checked == 0  # it has claimed the site
    sweeper.kill()
    until_alone()

    assert left_of(disturbed.site_id) == before
    assert sweep().checked == 1
    assert left_of(disturbed.site_id) == undisturbed


@pytest.mark.parametrize("step", COMMITTED)
def test_a_sweeper_that_has_committed(step: str, undisturbed: dict[str, Any], processes: Processes) -> None:
    disturbed = overloaded()
    sweeper = processes.start_and_pause(step, "tests.resilience.sweeping")

    assert left_of(disturbed.site_id) == undisturbed
    mark_sites([disturbed.site_id], reason="asked for")
    while_paused = sweep().checked
    assert while_paused == (1 if step == CHORES else 0)  # until it has let go of the site
    sweeper.kill()
    until_alone()

    assert sweep().checked == 1 - while_paused
    assert left_of(disturbed.site_id) == undisturbed


@pytest.mark.parametrize("step", ["claimed", "success noted"])
def test_another_process_takes_over(step: str, undisturbed: dict[str, Any], processes: Processes) -> None:
    disturbed = overloaded()
    killed = processes.start_and_pause(step, "tests.resilience.sweeping")
    following = processes.start("tests.resilience.sweeping", "--loop", "--interval", "0.02")
    killed.kill()
    following.until(lambda: not Mark.objects.exists())
    os.kill(following.popen.pid, signal.SIGTERM)
    assert "1 site recomputed. 0 failed." in following.ended()
    assert left_of(disturbed.site_id) == undisturbed


@pytest.mark.parametrize(
    ("broker", "whole", "step"),
    [
        ("redis_url", True, "figures written"),
        ("redis_url", False, "committed"),
        ("rabbitmq_url", True, "committed"),
        ("rabbitmq_url", False, "figures written"),
    ],
)
def test_a_celery_worker(
    broker: str,
    whole: bool,
    step: str,
    undisturbed: dict[str, Any],
    processes: Processes,
    request: pytest.FixtureRequest,
) -> None:
    """The whole worker, or its child at work."""
    if broker == "rabbitmq_url" and not request.config.getoption("--long"):
        pytest.skip("one broker is as good as the other: with --long")
    url = request.getfixturevalue(broker)
    other = within_its_limits()  # something to change, so that workers are notified
    assert sweep().checked == 1
    disturbed = overloaded()
    before = left_of(disturbed.site_id)
    tell = ("tests.resilience.changing", str(other.site_id))

    processes.start(*tell, "First", CELERY_BROKER_URL=url).ended()
    at_work = processes.start_and_pause(step, *WORKER, CELERY_BROKER_URL=url)
    assert left_of(disturbed.site_id) == (undisturbed if step in COMMITTED else before)
    if whole:
        at_work.kill()
        processes.start(*WORKER, CELERY_BROKER_URL=url)
    else:
        os.kill(processes.paused_pid, signal.SIGKILL)
    processes.start(*tell, "Second", CELERY_BROKER_URL=url).ended()

    processes.started[-2].until(lambda: not Mark.objects.exists())
    assert left_of(disturbed.site_id) == undisturbed
    assert SiteCheck.objects.get(pk=other.site_id).failures == 0


# --- what becomes marks -------------------------------------------------------------------------------


@pytest.mark.parametrize("step", MARKING)
def test_a_sweeper_that_turns_time_into_marks(step: str, processes: Processes) -> None:
    """A due date, a site to be tried again, and figures of an older solver."""
    due, again, outdated = waiting = _three_that_wait()
    undisturbed = left_of(again)
    _let_time_pass(*waiting)
    sweeper = processes.start_and_pause(step, "tests.resilience.sweeping")
    sweeper.kill()
    until_alone()

    raised = step == "raise_due committed"
    assert DueDate.objects.filter(site_id=due).exists() == (not raised)
    assert left_of(due)["marks"] == ([BULK] if raised else [])
    assert left_of(again)["marks"] == [BULK if raised else SET_ASIDE]
    assert left_of(outdated)["marks"] == ([] if step == "mark_outdated not begun" else [BULK])

    assert sweep().checked == 3
    for site_id in waiting:
        assert left_of(site_id) == undisturbed
    assert undisturbed["events"]["case.opened"] == 1


def test_a_sweeper_within_the_statement_that_turns_time_into_marks(processes: Processes) -> None:
    due = overloaded_from_yesterday().site_id
    sweep(now=timezone.now() - BEFORE_IT)
    assert DueDate.objects.get().at < timezone.now()
    with another_connection() as other, other.transaction():
        other.execute("SELECT FROM due_date FOR UPDATE")
        sweeper = processes.start("tests.resilience.sweeping")
        sweeper.until(_somebody_waits_for_a_lock)
        sweeper.kill()
        assert not Mark.objects.exists()
    until_alone()
    assert DueDate.objects.count() + Mark.objects.count() == 1
    assert sweep().checked == 1
    assert left_of(due)["events"]["case.opened"] == 1
    assert sweep().checked == 0


def _three_that_wait() -> tuple[int, int, int]:
    """For a day, for another attempt, and for a newer solver; rechecked long before."""
    three = (overloaded_from_yesterday().site_id, overloaded().site_id, overloaded().site_id)
    assert sweep(now=timezone.now() - BEFORE_IT).checked == 3
    DueDate.objects.update(at=timezone.now() + DAY)
    return three


def _let_time_pass(due: int, again: int, outdated: int) -> None:
    """Until that has come which these wait for."""
    assert DueDate.objects.filter(site_id=due).update(at=timezone.now()) == 1
    Mark.objects.create(site_id=again, lane=SET_ASIDE)
    SiteCheck.objects.filter(pk=again).update(failures=1, last_error=REASON, next_attempt_at=timezone.now())
    SiteCheck.objects.filter(pk=outdated).update(solver_version=SOLVER_VERSION - 1)


def _somebody_waits_for_a_lock() -> bool:
    with connection.cursor() as cursor:
        cursor.execute(
            """SELECT count(*) FROM pg_stat_activity
               WHERE datname = current_database() AND wait_event_type = 'Lock'"""
        )
        return bool(cursor.fetchone()[0])


# --- a failure ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("step", FAILURE_UNCOMMITTED | FAILURE_COMMITTED | FAILURE_TOLD)
def test_a_sweeper_that_cannot_compute_a_site(step: str, uncomputable: Path, processes: Processes) -> None:
    undisturbed, disturbed = overloaded().site_id, overloaded().site_id
    uncomputable.write_text(f"{undisturbed} {disturbed}", encoding="ascii")
    Mark.objects.all().delete()
    mark_sites([undisturbed], reason="asked for")
    assert list(sweep().failed) == [undisturbed]
    mark_sites([disturbed], reason="asked for")
    before, failed = left_of(disturbed), left_of(undisturbed)
    assert failed["checks"][0][:2] == (1, REASON)
    assert failed["marks"] == [SET_ASIDE]

    sweeper = processes.start_and_pause(
        step, "tests.resilience.sweeping", ZONEBOOK_TESTED_SPOILED=str(uncomputable)
    )
    assert sweep().failed == {}  # it is at the site
    sweeper.kill()
    until_alone()

    left = left_of(disturbed)
    if step in FAILURE_UNCOMMITTED:
        assert left == before
        assert list(sweep().failed) == [disturbed]
        left = left_of(disturbed)
    elif step in FAILURE_COMMITTED:  # the next attempt notifies
        assert left == failed | {name: before[name] for name in ("findings", "cases", "events")}
        SiteCheck.objects.filter(pk=disturbed).update(next_attempt_at=timezone.now())
        assert list(sweep().failed) == [disturbed]
        left = left_of(disturbed)
        failed |= {"checks": [(2, *failed["checks"][0][1:])]}
    assert left == failed
    assert Finding.objects.get(site_id=disturbed).reasons == [REASON]

    uncomputable.write_text("", encoding="ascii")
    SiteCheck.objects.update(next_attempt_at=timezone.now())
    assert sweep().checked == 2
    assert left_of(disturbed) == left_of(undisturbed)
    assert left_of(disturbed)["events"]["case.cleared"] == 1
