"""Sites that cannot be computed, and others that write meanwhile: with real transactions."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager, suppress

import pytest
from django.db import InterfaceError, OperationalError, connection

from sites.models.changes import Mark
from tests.sites.changes.rows import sql
from tests.zones.recheck.conftest import LATER, NOW, another_connection, make_terminal
from zones.electrical.subjects import SubjectKind
from zones.models import Figures, SiteCheck
from zones.recheck.batch import FIRST_PAUSE, LONGEST_PAUSE, SNAPSHOT_TRIES, recheck
from zones.recheck.checked import Checked, on_checked, on_failed
from zones.recheck.recheck_queue import mark_sites, raise_due

pytestmark = pytest.mark.django_db(transaction=True)

SET_ASIDE = Mark.Lane.SET_ASIDE


def lanes(site_id: int) -> set[int]:
    return set(Mark.objects.filter(site_id=site_id).values_list("lane", flat=True))


class Spoiler:
    """A listener that raises while one of some sites is in the batch, and keeps what batches there were."""

    def __init__(self, *site_ids: int) -> None:
        self.spoiled = set(site_ids)
        self.batches: list[tuple[int, ...]] = []

    def __call__(self, found: Checked) -> None:
        self.batches.append(found.site_id)
        if self.spoiled & set(found.site_id):
            raise ZeroDivisionError("division\n  by zero")


def fail_for(*site_ids: int) -> Spoiler:
    spoiler = Spoiler(*site_ids)
    on_checked(spoiler)
    return spoiler


def test_one_site_that_cannot_be_computed_holds_up_no_other() -> None:
    good, bad, fine = (make_terminal() for _ in range(3))
    failures: list[tuple[int, str, dt.datetime]] = []
    on_failed(lambda *said: failures.append(said))
    fail_for(bad.site_id)

    outcome = recheck([good.site_id, bad.site_id, fine.site_id], now=NOW)

    assert sorted(outcome.checked) == [good.site_id, fine.site_id]
    assert outcome.failed == {bad.site_id: "ZeroDivisionError: division by zero"}
    assert failures == [(bad.site_id, "ZeroDivisionError: division by zero", NOW)]
    assert not Figures.objects.filter(site_id=bad.site_id).exists()
    assert Figures.objects.filter(site_id=good.site_id).exists()
    assert lanes(good.site_id) == lanes(fine.site_id) == set()
    assert lanes(bad.site_id) == {SET_ASIDE}
    noted = SiteCheck.objects.get(pk=bad.site_id)
    assert (noted.failures, noted.last_error) == (1, "ZeroDivisionError: division by zero")
    assert noted.next_attempt_at == NOW + FIRST_PAUSE
    assert noted.checked_at is None


def test_a_site_is_tried_again_later_and_later() -> None:
    bad = make_terminal()
    fail_for(bad.site_id)
    now, pauses = NOW, []
    for failures in range(1, 11):
        recheck([bad.site_id], now=now)
        noted = SiteCheck.objects.get(pk=bad.site_id)
        assert noted.failures == failures
        assert noted.next_attempt_at is not None
        pauses.append(noted.next_attempt_at - now)
        raise_due(noted.next_attempt_at - dt.timedelta(seconds=1))
        assert lanes(bad.site_id) == {SET_ASIDE}
        now = noted.next_attempt_at
        raise_due(now)
        assert lanes(bad.site_id) == {Mark.Lane.BULK}
    assert pauses[:4] == [FIRST_PAUSE, 2 * FIRST_PAUSE, 4 * FIRST_PAUSE, 8 * FIRST_PAUSE]
    assert pauses[-1] == LONGEST_PAUSE


def test_a_repair_of_the_record_is_tried_at_once_and_clears_the_failure() -> None:
    bad = make_terminal()
    spoiler = fail_for(bad.site_id)
    recheck([bad.site_id], now=NOW)
    before = SiteCheck.objects.get(pk=bad.site_id)

    bad.add_speakers(1)
    assert lanes(bad.site_id) == {SET_ASIDE, Mark.Lane.INTERACTIVE}
    spoiler.spoiled.clear()
    outcome = recheck([bad.site_id], now=NOW + dt.timedelta(seconds=5))

    assert before.failures == 1
    assert outcome.checked == [bad.site_id]
    assert lanes(bad.site_id) == set()
    noted = SiteCheck.objects.get(pk=bad.site_id)
    assert (noted.failures, noted.last_error, noted.next_attempt_at) == (0, "", None)


def test_a_site_that_failed_before_spoils_no_batch_again() -> None:
    good, bad, fine = (make_terminal() for _ in range(3))
    spoiler = fail_for(bad.site_id)
    recheck([bad.site_id], now=NOW)
    spoiler.batches.clear()
    recheck([good.site_id, bad.site_id, fine.site_id], now=LATER)
    assert spoiler.batches == [(good.site_id, fine.site_id), (bad.site_id,)]


def test_a_failure_writes_nothing_at_all() -> None:
    bad = make_terminal()
    fail_for(bad.site_id)
    bad.add_speakers(1, NOW.date() + dt.timedelta(days=3))
    recheck([bad.site_id], now=NOW)
    with connection.cursor() as cursor:
        cursor.execute("SELECT (SELECT count(*) FROM figures), (SELECT count(*) FROM due_date)")
        assert cursor.fetchone() == (0, 0)


def test_a_listener_of_failures_that_raises_does_not_lose_the_failure() -> None:
    bad = make_terminal()
    fail_for(bad.site_id)

    def deaf(_site_id: int, _reason: str, _now: dt.datetime) -> None:
        raise RuntimeError("cannot listen")

    on_failed(deaf)
    outcome = recheck([bad.site_id], now=NOW)
    assert list(outcome.failed) == [bad.site_id]
    assert SiteCheck.objects.get(pk=bad.site_id).failures == 1


def test_an_unknown_time_zone_is_named_in_the_reason() -> None:
    lost = make_terminal()
    # Every channel refuses it; the database takes it in capital letters where its rule is gone
    with without_rule("site_time_zone_check"):
        sql("UPDATE site SET time_zone = 'EUROPE/LISBON'")
        outcome = recheck([lost.site_id], now=NOW)
        sql("UPDATE site SET time_zone = 'Europe/Lisbon'")
    assert "EUROPE/LISBON" in outcome.failed[lost.site_id]


@contextmanager
def without_rule(name: str) -> Iterator[None]:
    """The table `site` without its triggers and a check, both of which are back afterwards."""
    ((check,),) = sql("SELECT pg_get_constraintdef(oid) FROM pg_constraint WHERE conname = %s", name)
    sql(f"ALTER TABLE site DISABLE TRIGGER USER, DROP CONSTRAINT {name}")
    try:
        yield
    finally:
        sql(f"ALTER TABLE site ENABLE TRIGGER USER, ADD CONSTRAINT {name} {check}")


def test_a_mark_that_is_committed_meanwhile_stays() -> None:
    terminal = make_terminal()

    def someone_writes(found: Checked) -> None:
        with another_connection() as other:
            other.execute(
                "INSERT INTO mark (site_id, lane, reason) VALUES (%s, 0, 'meanwhile')", [found.site_id[0]]
            )

    on_checked(someone_writes)
    assert recheck([terminal.site_id], now=NOW).checked == [terminal.site_id]
    assert list(Mark.objects.values_list("site_id", "reason")) == [(terminal.site_id, "meanwhile")]


def test_what_is_committed_meanwhile_is_not_half_seen() -> None:
    terminal = make_terminal()
    seen: list[int] = []

    def someone_writes(found: Checked) -> None:
        with another_connection() as other:
            other.execute(
                "INSERT INTO mark (site_id, lane, reason) VALUES (%s, 0, 'meanwhile')", [found.site_id[0]]
            )
        seen.append(Mark.objects.filter(reason="meanwhile").count())

    on_checked(someone_writes)
    recheck([terminal.site_id], now=NOW)
    assert seen == [0]


class Interloper:
    """A listener that updates a row which someone else updated since the snapshot, the first few times."""

    def __init__(self, site_id: int, times: int) -> None:
        self.site_id, self.times, self.tries = site_id, times, 0

    def __call__(self, _found: Checked) -> None:
        self.tries += 1
        if self.tries <= self.times:
            with another_connection() as other:
                other.execute("UPDATE site_check SET failures = 9 WHERE site_id = %s", (self.site_id,))
        SiteCheck.objects.filter(pk=self.site_id).update(failures=self.tries)


def test_a_recheck_that_someone_got_in_between_begins_again() -> None:
    bystander, terminal = make_terminal(), make_terminal()
    recheck([bystander.site_id], now=NOW)
    interloper = Interloper(bystander.site_id, times=2)
    on_checked(interloper)

    outcome = recheck([terminal.site_id], now=NOW)

    assert interloper.tries == 3
    assert outcome.checked == [terminal.site_id]
    assert lanes(terminal.site_id) == set()
    assert SiteCheck.objects.get(pk=bystander.site_id).failures == 3


def test_a_recheck_that_someone_always_gets_in_between_is_set_aside() -> None:
    bystander, terminal = make_terminal(), make_terminal()
    recheck([bystander.site_id], now=NOW)
    interloper = Interloper(bystander.site_id, times=1000)
    on_checked(interloper)

    outcome = recheck([terminal.site_id], now=NOW)

    assert interloper.tries == SNAPSHOT_TRIES
    assert "could not serialize" in outcome.failed[terminal.site_id]
    assert lanes(terminal.site_id) == {SET_ASIDE}


def test_a_lost_database_is_no_sites_failure() -> None:
    terminal = make_terminal()

    def someone_ends_the_session(_found: Checked) -> None:
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_backend_pid()")
            (pid,) = cursor.fetchone()
        with another_connection() as other:
            other.execute("SELECT pg_terminate_backend(%s)", [pid])
        Figures.objects.count()

    on_checked(someone_ends_the_session)
    with pytest.raises(OperationalError):
        recheck([terminal.site_id], now=NOW)
    connection.close()
    assert lanes(terminal.site_id) == {Mark.Lane.INTERACTIVE}
    assert not SiteCheck.objects.exists()


def lose_the_connection() -> None:
    """End this session from outside, and swallow that it is gone."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_backend_pid()")
        (pid,) = cursor.fetchone()
    with another_connection() as other:
        other.execute("SELECT pg_terminate_backend(%s, 5000)", [pid])
    with suppress(OperationalError):
        Figures.objects.count()


def test_a_lost_connection_raises_though_a_listener_swallowed_it() -> None:
    terminal = make_terminal()
    on_checked(lambda _found: lose_the_connection())
    with pytest.raises((OperationalError, InterfaceError)):
        recheck([terminal.site_id], now=NOW)
    connection.close()
    assert lanes(terminal.site_id) == {Mark.Lane.INTERACTIVE}
    assert not SiteCheck.objects.exists()


def test_a_connection_lost_while_listeners_hear_of_a_failure_raises_before_the_next_site() -> None:
    """The claims were lost with it: another process may have them by now, and would recompute the same
    site."""
    first, second = make_terminal(), make_terminal()
    spoiler = fail_for(first.site_id, second.site_id)
    on_failed(lambda *_said: lose_the_connection())
    with pytest.raises(OperationalError, match="held the claims"):
        recheck([first.site_id, second.site_id], now=NOW)
    connection.close()
    assert spoiler.batches == [(first.site_id, second.site_id), (first.site_id,)]
    assert lanes(second.site_id) == {Mark.Lane.INTERACTIVE}


def test_the_same_record_gives_the_same_figures_whichever_sites_are_rechecked_with_it() -> None:
    terminals = [make_terminal() for _ in range(3)]
    alone: dict[tuple[int, int], list[float | None]] = {}
    for terminal in terminals:
        recheck([terminal.site_id], now=NOW)
    for row in Figures.objects.filter(subject_kind=SubjectKind.RUN):
        alone[row.subject_kind, row.subject_id] = row.likely
    mark_sites([terminal.site_id for terminal in terminals], reason="asked for")
    Figures.objects.all().delete()
    recheck([terminal.site_id for terminal in terminals], now=NOW)
    together = {
        (row.subject_kind, row.subject_id): row.likely
        for row in Figures.objects.filter(subject_kind=SubjectKind.RUN)
    }
    assert together.keys() == alone.keys()
    for key, figures in together.items():
        assert figures == pytest.approx(alone[key], rel=1e-12)
