"""Two writers of one site take turns; writers of different sites do not wait for each other."""

from __future__ import annotations

import datetime as dt
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor

import pytest
from django.db import connection, transaction

from sites.changes.errors import ChangeRefused
from sites.changes.services import change_accept, change_set_accept, change_set_draft
from sites.models import Closet, Site
from sites.models.changes import ChangeSet
from tests import factories
from tests.factories import change
from tests.sites.changes.rows import step
from zones.models import Run

pytestmark = pytest.mark.django_db(transaction=True)
DAY = dt.date(2025, 7, 8)
PATIENCE_S = 20.0


@pytest.fixture
def pool() -> Iterator[Callable[[Callable[[], object]], Future[object]]]:
    """Runs functions in threads, each with a connection of its own that is closed after."""

    def closing(function: Callable[[], object]) -> object:
        try:
            return function()
        finally:
            connection.close()

    with ThreadPoolExecutor(4) as executor:
        yield lambda function: executor.submit(closing, function)


def backends_waiting_for_a_lock() -> int:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT count(*) FROM pg_stat_activity "
            "WHERE datname = current_database() AND wait_event_type = 'Lock'"
        )
        return int(cursor.fetchone()[0])


def until(condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < deadline, "nothing came of it"


def add_zone(site: Site, name: str) -> ChangeSet:
    return change_accept(change(site, happened_on=DAY), [{"op": "zone.add", "name": name}]).change_set


Pool = Callable[[Callable[[], object]], Future[object]]


def test_the_second_writer_of_a_site_waits_and_comes_after(pool: Pool) -> None:
    site = factories.make_site()
    holding, release = threading.Event(), threading.Event()

    def first() -> ChangeSet:
        with transaction.atomic():
            done = add_zone(site, "first")
            holding.set()
            assert release.wait(PATIENCE_S)
        return done

    one = pool(first)
    assert holding.wait(PATIENCE_S)
    two = pool(lambda: add_zone(site, "second"))
    until(lambda: backends_waiting_for_a_lock() == 1)
    assert not two.done()
    release.set()
    earlier, later = one.result(PATIENCE_S), two.result(PATIENCE_S)
    assert isinstance(earlier, ChangeSet)
    assert isinstance(later, ChangeSet)
    assert step(later) == step(earlier) + 1
    assert later.recorded_at is not None
    assert earlier.recorded_at is not None
    assert later.recorded_at > earlier.recorded_at


def test_writers_of_two_sites_do_not_wait(pool: Pool) -> None:
    one, other = factories.make_site(), factories.make_site()
    with transaction.atomic():
        add_zone(one, "held open")
        done = pool(lambda: add_zone(other, "meanwhile")).result(PATIENCE_S)
    assert isinstance(done, ChangeSet)


def test_a_reader_of_a_site_does_not_wait_for_its_writer(pool: Pool) -> None:
    site = factories.make_site()
    with transaction.atomic():
        add_zone(site, "not yet committed")
        names = pool(lambda: list(ChangeSet.objects.filter(site=site).values_list("reason", flat=True)))
        assert names.result(PATIENCE_S) == ["taken under contract"]


def test_of_two_who_accept_a_draft_one_does(pool: Pool) -> None:
    site = factories.make_site()
    user = factories.make_user()
    draft = change_set_draft(change(site, happened_on=DAY), [{"op": "zone.add", "name": "Gangway"}])
    barrier = threading.Barrier(2)

    def accept() -> str:
        barrier.wait(PATIENCE_S)
        try:
            change_set_accept(change_set=draft, user=user)
        except ChangeRefused as refused:
            return str(refused)
        return "accepted"

    answers = [pool(accept), pool(accept)]
    assert sorted(str(answer.result(PATIENCE_S)) for answer in answers) == [
        "This change set is accepted and never changes.",
        "accepted",
    ]


def test_many_writers_of_a_site_get_steps_without_gaps(pool: Pool) -> None:
    site = factories.make_site()
    writers = [pool(lambda number=number: add_zone(site, f"Lane {number}")) for number in range(12)]  # type: ignore[misc]
    steps = sorted(step(writer.result(PATIENCE_S)) for writer in writers)  # type: ignore[arg-type]
    assert steps == list(range(steps[0], steps[0] + 12))


def test_points_hung_at_once_keep_one_order(pool: Pool) -> None:
    run = factories.make_run(factories.make_block())
    body = {"op": "point.append", "run_id": run.pk}
    waiting = [pool(lambda: change_accept(change(run.site, happened_on=DAY), [body])) for _ in range(8)]
    for one in waiting:
        one.result(PATIENCE_S)
    ranks = list(Run.objects.get(pk=run.pk).points.values_list("rank", flat=True))
    assert len(set(ranks)) == 8
    assert Closet.objects.count() == 1
