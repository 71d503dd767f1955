"""Claims: one process at a site at a time."""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import nullcontext
from typing import Any

import psycopg
import pytest
import structlog
from django.db import InternalError, OperationalError, connection, transaction

from sites.models.changes import Mark
from tests.zones.recheck.conftest import another_connection
from zones.recheck import claims
from zones.recheck.claims import CLAIM_KEYS, claimed, claimed_sites, report_silent
from zones.recheck.recheck_queue import mark_sites

pytestmark = pytest.mark.django_db(transaction=True)

INTERACTIVE, BULK = Mark.Lane.INTERACTIVE, Mark.Lane.BULK
SITES = [3, 5, 8, 2**40 - 1]


@pytest.fixture
def marked(transactional_db: None) -> None:
    for _ in range(3):  # several marks of a site are one site
        mark_sites(reversed(SITES), reason="asked for")
    mark_sites([4, 5], reason="asked for", lane=BULK)


def locks_held() -> int:
    with connection.cursor() as cursor:
        # Locks of this database only: other runs share the server
        cursor.execute(
            "SELECT count(*) FROM pg_locks JOIN pg_database d ON d.oid = database "
            "WHERE locktype = 'advisory' AND d.datname = current_database()"
        )
        return int(cursor.fetchone()[0])


def test_marked_sites_of_the_lane_are_claimed_once_each(marked: None) -> None:
    with claimed(INTERACTIVE, 10) as site_ids:
        assert site_ids == SITES
        assert locks_held() == len(SITES)
    with claimed(BULK, 10) as site_ids:
        assert site_ids == [4, 5]
    assert locks_held() == 0


def test_no_more_are_claimed_than_asked_for(marked: None) -> None:
    with claimed(INTERACTIVE, 2) as site_ids:
        assert site_ids == SITES[:2]
        assert locks_held() == 2


def test_nothing_marked_is_nothing_claimed(transactional_db: None) -> None:
    with claimed(INTERACTIVE, 10) as site_ids:
        assert site_ids == []


def test_what_another_holds_is_passed_over_and_not_waited_for(marked: None) -> None:
    with another_connection() as other:
        other.execute("SELECT pg_advisory_lock(%s + s) FROM unnest(%s::bigint[]) s", [CLAIM_KEYS, SITES[:2]])
        with claimed(INTERACTIVE, 2) as site_ids:
            assert site_ids == SITES[2:]
    with claimed(INTERACTIVE, 2) as site_ids:  # the other's end freed them
        assert site_ids == SITES[:2]


def test_what_is_claimed_is_not_had_by_another(marked: None) -> None:
    with claimed(INTERACTIVE, 10), another_connection() as other:
        row = other.execute(
            "SELECT bool_or(pg_try_advisory_lock(%s + s)) FROM unnest(%s::bigint[]) s", [CLAIM_KEYS, SITES]
        ).fetchone()
        assert row == (False,)


def test_an_error_lets_go(marked: None) -> None:
    with pytest.raises(ZeroDivisionError), claimed(INTERACTIVE, 10):
        raise ZeroDivisionError
    assert locks_held() == 0


def test_a_lost_connection_keeps_its_error(marked: None) -> None:
    def lose_the_connection() -> None:
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_backend_pid()")
            (pid,) = cursor.fetchone()
            with another_connection() as other:
                other.execute("SELECT pg_terminate_backend(%s, 5000)", [pid])
            cursor.execute("SELECT 1")

    with pytest.raises(OperationalError, match="terminating connection"), claimed(INTERACTIVE, 10):
        lose_the_connection()
    connection.close()
    assert locks_held() == 0


def test_chosen_sites_are_waited_for(transactional_db: None) -> None:
    with another_connection() as other:
        other.execute("SELECT pg_advisory_lock(%s)", [CLAIM_KEYS + 5])
        got: list[int] = []

        def claim_in_thread() -> None:
            try:
                with claimed_sites([8, 5, 5, 3]) as site_ids:
                    got.extend(site_ids)
            finally:
                connection.close()

        thread = threading.Thread(target=claim_in_thread)
        thread.start()
        with another_connection() as watching:
            waiting = "SELECT count(*) FROM pg_locks WHERE locktype = 'advisory' AND NOT granted"
            while watching.execute(waiting).fetchone() == (0,):
                assert thread.is_alive()
        assert got == []
        other.execute("SELECT pg_advisory_unlock(%s)", [CLAIM_KEYS + 5])
        thread.join(30)
    assert got == [3, 5, 8]


def limits_of_session() -> tuple[str, str]:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT current_setting('idle_session_timeout'), "
            "current_setting('idle_in_transaction_session_timeout')"
        )
        idle, in_transaction = cursor.fetchone()
        return idle, in_transaction


def test_a_session_ends_when_silent_only_as_long_as_it_holds_claims(marked: None, settings: Any) -> None:
    settings.CLAIM_TIMEOUT_S = 45
    before = limits_of_session()
    with claimed(INTERACTIVE, 10):
        assert limits_of_session() == ("45s", "45s")
    assert limits_of_session() == before
    with claimed_sites([3]):
        assert limits_of_session() == ("45s", "45s")
    assert limits_of_session() == before


def until_ended(watching: psycopg.Connection[Any], pid: int, meanwhile: Callable[[], object] = int) -> None:
    alive = "SELECT count(*) FROM pg_stat_activity WHERE pid = %s"
    while watching.execute(alive, [pid]).fetchone() != (0,):
        meanwhile()


@pytest.mark.parametrize("in_transaction", [False, True])
def test_where_no_heartbeat_comes_the_claims_are_gone_and_their_holder_learns_it(
    in_transaction: bool, marked: None, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def be_silent() -> None:
        within = transaction.atomic() if in_transaction else nullcontext()
        with within, connection.cursor() as cursor:
            cursor.execute("SELECT pg_backend_pid()")
            until_ended(other, cursor.fetchone()[0])
            cursor.execute("SELECT 1")

    settings.CLAIM_TIMEOUT_S = 1
    monkeypatch.setattr(claims, "BEATS", 0.001)  # one in a thousand seconds
    ended = pytest.raises((OperationalError, InternalError), match="terminating connection")
    with another_connection() as other, ended, claimed(INTERACTIVE, 10):
        be_silent()
    connection.close()
    assert locks_held() == 0


def test_a_session_that_is_silent_in_the_middle_of_a_statement_is_ended_and_told_of(
    transactional_db: None, settings: Any
) -> None:
    """PostgreSQL waits for ever for the rest of a COPY."""

    def copy_in_part() -> None:
        with other.cursor().copy("COPY mark (site_id, lane, reason) FROM STDIN") as copy:
            with structlog.testing.capture_logs() as lines:
                until_ended(watching, other.info.backend_pid, report_silent)
            # The last line may be of a session that went while it was looked at
            told.extend(line for line in lines if line["ended"])
            while True:
                copy.write("5\t1\tlate\n" * 1000)

    settings.CLAIM_TIMEOUT_S = 1
    told: list[Any] = []
    with another_connection() as other, another_connection() as watching:
        other.execute("SELECT pg_advisory_lock(%s)", [CLAIM_KEYS + 5])
        other.execute("SET idle_session_timeout = '1s'")
        with pytest.raises(psycopg.OperationalError):
            copy_in_part()
    assert told[0]["event"] == "a process holds claims and does not answer"
    assert told[0]["sites"] == 1
