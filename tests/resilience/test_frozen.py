"""A sweeper that is frozen (SIGSTOP) loses its claims, and another sweeper tells of it; one that computes for
long keeps them."""

from __future__ import annotations

import os
import signal

import pytest
from django.db import connection
from django.utils import timezone

from tests.resilience.conftest import Processes
from tests.zones.recheck.conftest import make_terminal
from tests.zones.recheck.test_claims import locks_held
from zones.models import SiteCheck

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]

LIMIT_S = 5
"""Long enough that a sweeper on a busy machine looks while a silent session still stands."""


@pytest.mark.parametrize(
    "step", ["claimed", "marks read", "claims not released"], ids=lambda step: str(step).replace(" ", "-")
)
def test_a_frozen_sweeper_loses_its_claims_and_another_says_so(step: str, processes: Processes) -> None:
    """Outside of a transaction, within one, and outside again."""
    terminal = make_terminal()
    limit = {"ZONEBOOK_CLAIM_TIMEOUT_S": str(LIMIT_S)}
    at_work = processes.start_and_pause(step, "tests.resilience.sweeping", **limit)
    other = processes.start("tests.resilience.sweeping", "--loop", **limit)
    began = timezone.now()
    other.until(lambda: (timezone.now() - began).total_seconds() > 1.5 * LIMIT_S)
    assert locks_held() == 1  # at a long computation: it answers, so it keeps them
    assert "does not answer" not in other.said

    os.kill(processes.paused_pid, signal.SIGSTOP)
    other.until(lambda: locks_held() == 0)
    other.until(lambda: SiteCheck.objects.filter(pk=terminal.site_id).exists())
    other.until(lambda: "a process holds claims and does not answer" in other.said)
    assert at_work.popen.poll() is None


def test_an_ended_session_keeps_no_transaction(processes: Processes) -> None:
    """What the frozen one had written is rolled back, so the other's result is the only one."""
    terminal = make_terminal()
    processes.start_and_pause("success noted", "tests.resilience.sweeping", ZONEBOOK_CLAIM_TIMEOUT_S="1")
    os.kill(processes.paused_pid, signal.SIGSTOP)
    other = processes.start("tests.resilience.sweeping", "--loop")
    other.until(lambda: SiteCheck.objects.filter(pk=terminal.site_id).exists())
    # The other one has transactions of its own, each for a moment
    other.until(lambda: idle_in_transaction() == 0)


def idle_in_transaction() -> int:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT count(*) FROM pg_stat_activity"
            " WHERE datname = current_database() AND state LIKE 'idle in transaction%'"
        )
        return int(cursor.fetchone()[0])
