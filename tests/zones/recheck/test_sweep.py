"""The sweep: lanes, due dates, chores, and going on until it is asked to stop."""

from __future__ import annotations

import datetime as dt
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import SimpleNamespace

import pytest
from django.db import OperationalError, connection

from sites.models.changes import Mark
from tests.zones.recheck.conftest import NOW, Terminal, make_terminal
from zones.electrical.evaluate import SOLVER_VERSION
from zones.models import DueDate, Figures, SiteCheck
from zones.recheck import recheck_queue, sweep
from zones.recheck.batch import Outcome
from zones.recheck.checked import Checked, on_checked
from zones.recheck.recheck_queue import mark_outdated, mark_sites
from zones.recheck.sweep import BATCHES, Batches, look_once, on_sweep, sweep_until

pytestmark = pytest.mark.django_db(transaction=True)

INTERACTIVE, BULK = Mark.Lane.INTERACTIVE, Mark.Lane.BULK


@pytest.fixture(autouse=True)
def no_chores(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sweep, "_chores", [])


@pytest.fixture
def one_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sweep, "BATCHES", dict.fromkeys(BATCHES, Batches(fewest=1, most=1, lasting_s=1)))
    monkeypatch.setattr(sweep, "_sites_at_once", {})


@pytest.fixture
def order(no_listeners: None) -> list[int]:
    """The sites in the order in which they are rechecked."""
    seen: list[int] = []
    on_checked(lambda found: seen.extend(found.site_id))
    return seen


def terminals_in_bulk(count: int) -> list[Terminal]:
    terminals = [make_terminal() for _ in range(count)]
    Mark.objects.update(lane=BULK)
    return terminals


def test_a_sweep_recomputes_all_that_is_marked(one_at_a_time: None) -> None:
    terminals = [make_terminal() for _ in range(3)]
    swept = sweep.sweep(now=NOW)
    assert (swept.checked, swept.failed) == (3, {})
    assert not Mark.objects.exists()
    assert set(Figures.objects.values_list("site_id", flat=True)) == {t.site_id for t in terminals}
    assert sweep.sweep(now=NOW).checked == 0


def test_an_interactive_change_waits_for_one_bulk_batch_at_most(
    one_at_a_time: None, order: list[int]
) -> None:
    first, second, third = (terminal.site_id for terminal in terminals_in_bulk(3))
    person = make_terminal()
    Mark.objects.filter(site_id=person.site_id).delete()
    looks = iter([None, lambda: person.add_speakers(1)])

    def someone_writes_in_between() -> None:
        write = next(looks, None)
        if write:
            write()

    on_sweep(someone_writes_in_between)
    sweep.sweep(now=NOW)
    assert order == [first, second, person.site_id, third]


@pytest.mark.parametrize("lane", BATCHES)
def test_a_batch_has_as_many_sites_as_its_time_allows(
    lane: Mark.Lane, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A batch has as many sites as the last one would have done in its time, and never too few."""
    asked: list[int] = []
    seconds_a_site = iter([0.001, 0.01, 0.01, 0.1, 0.02])
    clock = [0.0]

    @contextmanager
    def claimed(looked_at: Mark.Lane, count: int) -> Iterator[list[int]]:
        yield list(range(count)) if looked_at == lane else []

    def recheck(site_ids: list[int], *, now: dt.datetime) -> Outcome:
        asked.append(len(site_ids))
        clock[0] += len(site_ids) * next(seconds_a_site)
        return Outcome(checked=site_ids)

    monkeypatch.setattr(sweep, "_sites_at_once", {})
    monkeypatch.setattr(sweep, "claimed", claimed)
    monkeypatch.setattr(sweep, "recheck", recheck)
    monkeypatch.setattr(sweep, "time", SimpleNamespace(perf_counter=lambda: clock[0]))
    for _ in range(5):
        look_once(now=NOW)
    batches = BATCHES[lane]
    in_time = pytest.approx(batches.lasting_s / 0.01, abs=1)
    assert asked == [batches.fewest, batches.most, in_time, in_time, batches.fewest]


def test_an_interactive_mark_takes_the_bulk_ones_of_its_site_along(order: list[int]) -> None:
    bulk, both = (terminal.site_id for terminal in terminals_in_bulk(2))
    mark_sites([both], reason="asked for")
    assert look_once(now=NOW) is not None
    assert order == [both]
    assert set(Mark.objects.values_list("site_id", flat=True)) == {bulk}


def test_what_is_due_is_recomputed() -> None:
    terminal = make_terminal()
    day = NOW.date() + dt.timedelta(days=2)
    terminal.add_speakers(14, day)
    assert sweep.sweep(now=NOW).checked == 1
    at = DueDate.objects.get().at
    assert sweep.sweep(now=at - dt.timedelta(seconds=1)).checked == 0
    assert sweep.sweep(now=at).checked == 1
    assert not DueDate.objects.exists()
    assert SiteCheck.objects.get().as_of == day


def test_a_site_that_failed_is_tried_again_when_its_time_has_come(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    terminal = make_terminal()
    broken = [True]

    def listener(_found: Checked) -> None:
        if broken:
            raise ZeroDivisionError("broken")

    on_checked(listener)
    assert sweep.sweep(now=NOW).failed == {terminal.site_id: "ZeroDivisionError: broken"}
    broken.clear()
    assert sweep.sweep(now=NOW).checked == 0
    assert sweep.sweep(now=NOW + dt.timedelta(minutes=2)).checked == 1
    assert SiteCheck.objects.get().failures == 0
    assert not Mark.objects.exists()


def test_figures_of_an_older_solver_are_recomputed_in_the_bulk_lane(monkeypatch: pytest.MonkeyPatch) -> None:
    make_terminal()
    sweep.sweep(now=NOW)
    assert mark_outdated() == 0
    monkeypatch.setattr(recheck_queue, "SOLVER_VERSION", SOLVER_VERSION + 1)
    assert mark_outdated() == 1
    assert mark_outdated() == 0  # it is marked already
    assert list(Mark.objects.values_list("lane", "reason")) == [(BULK, "newer solver")]


def test_an_old_process_leaves_alone_what_a_newer_solver_made(monkeypatch: pytest.MonkeyPatch) -> None:
    make_terminal()
    sweep.sweep(now=NOW)
    monkeypatch.setattr(recheck_queue, "SOLVER_VERSION", SOLVER_VERSION - 1)
    assert mark_outdated() == 0


def test_chores_are_done_with_every_look_and_one_that_fails_stops_no_other() -> None:
    done: list[str] = []

    def broken() -> None:
        done.append("broken")
        raise ZeroDivisionError

    def fine() -> None:
        done.append("fine")

    for chore in (broken, fine, broken):
        on_sweep(chore)
    make_terminal()
    assert sweep.sweep(now=NOW).checked == 1
    assert (
        done == ["broken", "fine"] * 2
    )  # with the look that found the site, and with the one that found nothing


def test_the_loop_goes_on_until_it_is_asked_to_stop() -> None:
    terminal = make_terminal()
    stop = threading.Event()
    looks: list[int] = []

    def count() -> None:
        looks.append(Mark.objects.count())
        if len(looks) == 2:
            terminal.add_speakers(1)
        if len(looks) == 5:
            stop.set()

    on_sweep(count)
    swept = sweep_until(stop, interval_s=0.001)
    assert swept.checked == 2
    assert looks == [0] * 5


def test_the_loop_waits_for_a_database_that_is_away(monkeypatch: pytest.MonkeyPatch) -> None:
    make_terminal()
    real, stop = sweep.look_once, threading.Event()
    looks: list[str] = []
    waits: list[float] = []

    def look_once() -> object:
        looks.append("look")
        if len(looks) == 1:
            connection.close()
            raise OperationalError("the server closed the connection")
        outcome = real()
        if outcome is None:
            stop.set()
        return outcome

    monkeypatch.setattr(sweep, "look_once", look_once)
    monkeypatch.setattr(stop, "wait", lambda seconds: waits.append(seconds))
    assert sweep_until(stop, interval_s=0.25).checked == 1
    assert waits == [1.0, 0.25]
    assert len(looks) == 3
