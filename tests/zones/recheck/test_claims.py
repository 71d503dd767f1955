"""Claims: one process at a site, whatever the others do."""

from __future__ import annotations

import threading

import pytest
from django.db import OperationalError, connection

from sites.models.changes import Mark
from tests.zones.recheck.conftest import another_connection
from zones.recheck.recheck_queue import CLAIM_KEYS, claimed, claimed_sites, mark_sites

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
        # Of this database alone: other runs share the server
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
