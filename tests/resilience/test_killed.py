"""SIGKILL in the middle of a recheck loses nothing and doubles nothing.

What is left of a site after that, and after the next sweep, is compared with what is left of a site with the
same record that nobody disturbed.
"""

from __future__ import annotations

import os
import signal
from typing import Any

import pytest
from django.db import connection

from sites.changes.models import Mark
from tests.resilience.conftest import Processes, until_alone
from tests.resilience.pausing import STEPS
from tests.zones.recheck.conftest import Terminal, make_terminal
from zones.models import Case, DueDate, Figures, Finding, SiteCheck
from zones.recheck.sweep import sweep

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]


def overloaded() -> Terminal:
    """A supply of 2 A that a later addition pushed past its 1.6 A."""
    terminal = make_terminal()
    terminal.add_speakers(14)
    return terminal


def left_of(site_id: int) -> dict[str, Any]:
    """All that rechecks left of a site, but for ids and instants."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT kind, count(*) FROM event WHERE site_id = %s GROUP BY kind ORDER BY kind", [site_id]
        )
        events = cursor.fetchall()
    values = ("subject_kind", "codes", "low", "likely", "high", "limit_value", "verdict", "as_of")
    return {
        "figures": sorted(map(repr, Figures.objects.filter(site_id=site_id).values_list(*values))),
        "findings": sorted(
            Finding.objects.filter(site_id=site_id).values_list("code", "subject_kind", "verdict", "state")
        ),
        "cases": Case.objects.filter(site_id=site_id).count(),
        "events": events,
        "due": DueDate.objects.filter(site_id=site_id).count(),
        "marks": Mark.objects.filter(site_id=site_id).count(),
        "checks": list(SiteCheck.objects.filter(pk=site_id).values_list("failures", "last_error")),
    }


@pytest.fixture
def undisturbed(transactional_db: None) -> dict[str, Any]:
    terminal = overloaded()
    assert sweep().checked == 1
    left = left_of(terminal.site_id)
    assert left["figures"]
    assert left["marks"] == 0
    return left


@pytest.mark.parametrize("step", STEPS)
def test_a_sweeper(step: str, undisturbed: dict[str, Any], processes: Processes) -> None:
    disturbed = overloaded()
    before = left_of(disturbed.site_id)
    sweeper = processes.start_and_pause(step, "tests.resilience.sweeping")

    assert left_of(disturbed.site_id) == before  # half of it is nothing
    assert sweep().checked == 0  # it is at the site, so nobody else is
    sweeper.kill()
    until_alone()

    assert left_of(disturbed.site_id) == before
    assert sweep().checked == 1
    assert left_of(disturbed.site_id) == undisturbed


@pytest.mark.parametrize("step", ["claimed", "marks deleted"])
def test_another_process_takes_over(step: str, undisturbed: dict[str, Any], processes: Processes) -> None:
    disturbed = overloaded()
    killed = processes.start_and_pause(step, "tests.resilience.sweeping")
    following = processes.start("tests.resilience.sweeping", "--loop", "--interval", "0.02")
    killed.kill()
    following.until(lambda: not Mark.objects.exists())
    os.kill(following.popen.pid, signal.SIGTERM)
    assert "1 sites recomputed, 0 could not be." in following.ended()
    assert left_of(disturbed.site_id) == undisturbed


@pytest.mark.parametrize("broker", ["redis_url", "rabbitmq_url"])
@pytest.mark.parametrize("whole", [True, False], ids=["the whole worker", "its child at work"])
def test_a_celery_worker(
    broker: str,
    whole: bool,
    undisturbed: dict[str, Any],
    processes: Processes,
    request: pytest.FixtureRequest,
) -> None:
    url = request.getfixturevalue(broker)
    worker = (
        "celery",
        "-A",
        "tests.resilience.working",
        "worker",
        "--concurrency",
        "1",
        "--loglevel",
        "INFO",
    )
    other = make_terminal()  # something to change, so that workers are told
    assert sweep().checked == 1
    disturbed = overloaded()
    before = left_of(disturbed.site_id)
    tell = ("tests.resilience.changing", str(other.site_id))

    processes.start(*tell, "First", CELERY_BROKER_URL=url).ended()
    at_work = processes.start_and_pause("figures written", *worker, CELERY_BROKER_URL=url)
    assert left_of(disturbed.site_id) == before
    if whole:
        at_work.kill()
        processes.start(*worker, CELERY_BROKER_URL=url)
    else:
        os.kill(processes.paused_pid, signal.SIGKILL)
    processes.start(*tell, "Second", CELERY_BROKER_URL=url).ended()

    processes.started[-2].until(lambda: not Mark.objects.exists())
    assert left_of(disturbed.site_id) == undisturbed
    assert SiteCheck.objects.get(pk=other.site_id).failures == 0
