"""What one recheck reads, writes, calls and leaves behind."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from django.db import IntegrityError

from sites.changes.steps import first_step_after
from sites.models import EndpointFacts, Site
from sites.models.changes import ChangeSet, Mark
from tests.zones.recheck.conftest import LATER, NOW, Terminal, make_terminal
from tests.zones.recording import SiteRecord, device_model
from zones.electrical.evaluate import SOLVER_VERSION, evaluate
from zones.electrical.plant import Members
from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Verdict
from zones.limits.registry import RULES
from zones.models import DueDate, Figures, SiteCheck
from zones.plant.selectors import read_plant
from zones.recheck import batch, stored_results
from zones.recheck.batch import check
from zones.recheck.checked import Checked, Due, on_checked, on_due
from zones.recheck.recheck_queue import FUTURE_FACT, mark_sites, raise_due
from zones.recheck.stored_results import without_repeats

pytestmark = pytest.mark.django_db

TODAY = NOW.date()


def checked(*site_ids: int, now: dt.datetime = NOW) -> Checked:
    found = check(site_ids, now=now)
    assert found is not None
    return found


def figure(kind: SubjectKind, subject_id: int, code: str) -> dict[str, Any]:
    row = Figures.objects.get(subject_kind=kind, subject_id=subject_id)
    at = row.codes.index(code)
    return {
        name: getattr(row, name)[at]
        for name in ("low", "likely", "high", "limit_value", "verdict", "detail", "supported")
    }


def marks_of(site_id: int) -> int:
    return Mark.objects.filter(site_id=site_id).count()


def test_figures_are_stored_as_they_are_computed(terminal: Terminal) -> None:
    checked(terminal.site_id)

    plant = read_plant([terminal.site_id])
    found = evaluate(plant, Members.of_sites(plant, first_step_after(TODAY) - 1), RULES)
    computed = {
        (int(found.subject_kind[i]), int(found.subject_id[i]), found.rules[found.rule[i]].code): i
        for i in range(len(found))
    }
    stored = {
        (row.subject_kind, row.subject_id, code): (row, at)
        for row in Figures.objects.filter(site_id=terminal.site_id)
        for at, code in enumerate(row.codes)
    }

    assert computed.keys() == stored.keys()
    assert {code for _, _, code in stored} >= {"supply_current", "run_voltage", "wire_gauge"}
    for key, (row, at) in stored.items():
        i = computed[key]
        for name in ("low", "likely", "high", "supported"):
            value = getattr(found, name)[i]
            assert getattr(row, name)[at] == (pytest.approx(value) if np.isfinite(value) else None)
        assert row.verdict[at] == found.verdict[i]
        assert row.detail[at] == (found.detail[i] if found.detail[i] >= 0 else None)


def test_a_supply_of_two_amperes_with_twenty_speakers_of_fifty_milliamperes(terminal: Terminal) -> None:
    checked(terminal.site_id)
    current = figure(SubjectKind.SUPPLY, terminal.supply.pk, "supply_current")
    # 20 × 0.05 A; ± 5 % for measured currents; 2 A × 0.8: common practice, no source
    assert current["likely"] == pytest.approx(1.0)
    assert (current["low"], current["high"]) == (pytest.approx(0.95), pytest.approx(1.05))
    assert current["limit_value"] == pytest.approx(1.6)
    assert current["verdict"] == Verdict.WITHIN
    assert current["supported"] == 1.0


def test_an_addition_that_passes_the_limit_is_seen(terminal: Terminal) -> None:
    checked(terminal.site_id)
    terminal.add_speakers(14)
    checked(terminal.site_id)
    current = figure(SubjectKind.SUPPLY, terminal.supply.pk, "supply_current")
    assert current["likely"] == pytest.approx(1.7)
    assert current["verdict"] == Verdict.PAST


def test_what_is_not_known_is_stored_as_null() -> None:
    record = SiteRecord()
    with record.change():
        supply = record.supply(device_model("supply"))
        record.chain(record.run(supply=supply), 1)
        amplifier = record.amplifier()
        record.chain(record.run("R2", kind="low_impedance", amplifier=amplifier), 1)
    checked(record.site_id)
    current = figure(SubjectKind.SUPPLY, supply.pk, "supply_current")
    assert current["limit_value"] is None
    assert current["verdict"] == Verdict.CANNOT_TELL
    impedance = figure(SubjectKind.AMPLIFIER, amplifier.pk, "line_impedance")
    assert (impedance["low"], impedance["likely"], impedance["high"]) == (None, None, None)
    assert impedance["detail"] is None


def test_only_what_differs_is_written(terminal: Terminal) -> None:
    checked(terminal.site_id, now=NOW)
    terminal.add_speakers(1)
    checked(terminal.site_id, now=LATER)
    written = dict(
        Figures.objects.values_list("subject_id", "computed_at").filter(subject_kind=SubjectKind.RUN)
    )
    assert written == {terminal.runs[0].pk: LATER, terminal.runs[1].pk: NOW}


def test_a_recheck_of_what_did_not_change_writes_no_figures(terminal: Terminal) -> None:
    checked(terminal.site_id, now=NOW)
    mark_sites([terminal.site_id], reason="asked for")
    found = checked(terminal.site_id, now=LATER)
    assert stored_results.write_figures(found.plant, found.evaluation, found.as_of, LATER) == (0, 0)
    assert set(Figures.objects.values_list("computed_at", flat=True)) == {NOW}
    assert SiteCheck.objects.get(pk=terminal.site_id).checked_at == LATER


@pytest.mark.parametrize("column", ["low", "likely", "high", "limit_value", "supported", "verdict", "detail"])
def test_any_difference_in_a_row_is_noticed(terminal: Terminal, column: str) -> None:
    checked(terminal.site_id, now=NOW)
    row = Figures.objects.get(subject_kind=SubjectKind.RUN, subject_id=terminal.runs[0].pk)
    right = getattr(row, column)
    at = row.codes.index("run_voltage")
    wrong = [*right[:at], right[at] + 1, *right[at + 1 :]]
    Figures.objects.filter(pk=row.pk).update(**{column: wrong})
    mark_sites([terminal.site_id], reason="asked for")
    checked(terminal.site_id, now=LATER)
    row.refresh_from_db()
    assert getattr(row, column) == right
    assert row.computed_at == LATER


def test_a_code_that_is_no_more_is_taken_out(terminal: Terminal) -> None:
    checked(terminal.site_id)
    row = Figures.objects.get(subject_kind=SubjectKind.SUPPLY, subject_id=terminal.supply.pk)
    right = list(row.codes)
    Figures.objects.filter(pk=row.pk).update(codes=["of_old", *right[1:]])
    mark_sites([terminal.site_id], reason="asked for")
    checked(terminal.site_id)
    row.refresh_from_db()
    assert row.codes == right


def test_subjects_without_figures_are_removed(terminal: Terminal) -> None:
    checked(terminal.site_id)
    with terminal.record.change() as change_set:
        terminal.record.end(terminal.runs[1], change_set)
    checked(terminal.site_id)
    runs = Figures.objects.filter(subject_kind=SubjectKind.RUN).values_list("subject_id", flat=True)
    assert list(runs) == [terminal.runs[0].pk]


def test_an_empty_site_has_no_figures() -> None:
    record = SiteRecord()
    checked(record.site_id)
    assert not Figures.objects.filter(site_id=record.site_id).exists()
    assert SiteCheck.objects.get(pk=record.site_id).as_of == TODAY


def test_the_marks_are_gone_and_the_check_is_noted(terminal: Terminal) -> None:
    assert marks_of(terminal.site_id) > 0
    checked(terminal.site_id)
    assert marks_of(terminal.site_id) == 0
    noted = SiteCheck.objects.get(pk=terminal.site_id)
    assert (noted.checked_at, noted.as_of, noted.solver_version) == (NOW, TODAY, SOLVER_VERSION)
    assert (noted.failures, noted.last_error, noted.next_attempt_at) == (0, "", None)


def test_a_site_without_marks_is_left_alone(terminal: Terminal) -> None:
    other = make_terminal()
    checked(terminal.site_id)
    found = checked(terminal.site_id, other.site_id, now=LATER)
    assert found.site_id == (other.site_id,)
    assert check([terminal.site_id], now=LATER) is None
    assert SiteCheck.objects.get(pk=terminal.site_id).checked_at == NOW


def test_marks_of_no_site_are_cleared_away(terminal: Terminal) -> None:
    nowhere = terminal.site_id + 1000
    mark_sites([nowhere], reason="asked for")
    assert checked(nowhere).site_id == ()
    assert marks_of(nowhere) == 0


def test_future_facts_are_not_yet_and_fall_due(terminal: Terminal) -> None:
    day = TODAY + dt.timedelta(days=3)
    terminal.add_speakers(14, day)
    terminal.add_speakers(1, day + dt.timedelta(days=9))

    checked(terminal.site_id)
    assert figure(SubjectKind.SUPPLY, terminal.supply.pk, "supply_current")["likely"] == pytest.approx(1.0)
    (due,) = DueDate.objects.filter(site_id=terminal.site_id)
    assert (due.at, due.reason) == (dt.datetime(day.year, day.month, day.day, tzinfo=dt.UTC), FUTURE_FACT)

    raise_due(due.at - dt.timedelta(seconds=1))
    assert marks_of(terminal.site_id) == 0
    raise_due(due.at)
    raise_due(due.at)
    assert marks_of(terminal.site_id) == 1
    checked(terminal.site_id, now=due.at)
    assert figure(SubjectKind.SUPPLY, terminal.supply.pk, "supply_current")["likely"] == pytest.approx(1.7)
    (following,) = DueDate.objects.filter(site_id=terminal.site_id)
    assert following.at - due.at == dt.timedelta(days=9)


def test_a_facts_end_in_the_future_falls_due_too(terminal: Terminal) -> None:
    day = TODAY + dt.timedelta(days=3)
    with terminal.record.change(day) as change_set:
        terminal.record.end(terminal.runs[1], change_set)
    checked(terminal.site_id)
    assert DueDate.objects.get(site_id=terminal.site_id).at.date() == day


def test_today_is_that_of_the_site() -> None:
    east = make_terminal(time_zone="Pacific/Auckland")
    west = make_terminal(time_zone="America/Vancouver")
    day = TODAY + dt.timedelta(days=1)
    for terminal in (east, west):
        terminal.add_speakers(14, day)

    now = dt.datetime(2026, 3, 10, 20, 0, tzinfo=dt.UTC)  # the 11th in Auckland, still the 10th in Vancouver
    found = checked(east.site_id, west.site_id, now=now)

    assert found.as_of == (day, TODAY)
    assert found.members.step.tolist() == [first_step_after(day) - 1, first_step_after(TODAY) - 1]
    amperes = [
        figure(SubjectKind.SUPPLY, terminal.supply.pk, "supply_current")["likely"]
        for terminal in (east, west)
    ]
    assert amperes == [pytest.approx(1.7), pytest.approx(1.0)]
    (due,) = DueDate.objects.all()
    assert due.site_id == west.site_id
    assert due.at == dt.datetime(2026, 3, 11, 0, 0, tzinfo=ZoneInfo("America/Vancouver"))


def test_a_due_date_that_no_longer_is_goes(terminal: Terminal) -> None:
    day = TODAY + dt.timedelta(days=3)
    terminal.add_speakers(1, day)
    checked(terminal.site_id)
    assert DueDate.objects.get().at.date() == day
    with terminal.record.change(kind=ChangeSet.Kind.CORRECTION):
        Site.objects.filter(pk=terminal.site_id).update(
            time_zone="Asia/Tokyo", change_set_id=ChangeSet.objects.latest("id").pk
        )
    checked(terminal.site_id)
    assert DueDate.objects.get().at == dt.datetime(
        day.year, day.month, day.day, tzinfo=ZoneInfo("Asia/Tokyo")
    )


def test_sources_of_due_dates_are_asked(terminal: Terminal) -> None:
    day = TODAY + dt.timedelta(days=30)
    asked: list[Checked] = []

    def deferrals(found: Checked) -> Iterable[Due]:
        asked.append(found)
        yield Due(terminal.site_id, day, "deferral ends")
        yield Due(terminal.site_id, TODAY, "past already")

    on_due(deferrals)
    found = checked(terminal.site_id)

    assert asked == [found]
    (due,) = DueDate.objects.all()
    assert (due.at.date(), due.reason) == (day, "deferral ends")


def test_listeners_are_called_once_in_order_with_all_there_is(terminal: Terminal) -> None:
    other = make_terminal()
    calls: list[tuple[str, Checked]] = []

    def first(found: Checked) -> None:
        calls.append(("first", found))
        assert Figures.objects.filter(site_id=terminal.site_id).exists()  # in the same transaction

    def second(found: Checked) -> None:
        calls.append(("second", found))

    for listener in (first, second, first):
        on_checked(listener)
    found = checked(other.site_id, terminal.site_id)

    assert calls == [("first", found), ("second", found)]
    assert found.site_id == (terminal.site_id, other.site_id) == tuple(found.plant.site_id)
    assert found.members.site.tolist() == [0, 1]
    assert found.members.step.tolist() == [first_step_after(day) - 1 for day in found.as_of]
    assert (found.members.group == -1).all()
    assert found.now == NOW
    assert found.solver_before == (None, None)
    again = evaluate(found.plant, found.members, RULES, anchoring=found.anchoring)
    np.testing.assert_array_equal(again.likely, found.evaluation.likely)


def test_a_new_solver_writes_everything_again_and_says_so(
    terminal: Terminal, monkeypatch: pytest.MonkeyPatch
) -> None:
    checked(terminal.site_id, now=NOW)
    mark_sites([terminal.site_id], reason="newer solver")
    for module in (batch, stored_results):
        monkeypatch.setattr(module, "SOLVER_VERSION", SOLVER_VERSION + 1)
    found = checked(terminal.site_id, now=LATER)
    assert found.solver_before == (SOLVER_VERSION,)
    assert set(Figures.objects.values_list("solver_version", "computed_at")) == {(SOLVER_VERSION + 1, LATER)}


def test_the_record_holds_no_two_endpoints_on_one_port() -> None:
    record = SiteRecord()

    def record_both() -> None:
        with record.change():
            port = record.port(record.switch())
            for name in ("NS 1", "NS 2"):
                record.endpoint(name=name, port=port, power_source=EndpointFacts.PowerSource.PORT)

    with pytest.raises(IntegrityError, match="endpoint_facts_port_taken"):
        record_both()


def test_nothing_is_taken_away_where_nothing_repeats(terminal: Terminal) -> None:
    found = checked(terminal.site_id)
    assert without_repeats(found.evaluation) is found.evaluation


@pytest.mark.parametrize(("count", "queries"), [(1, 10), (2, 12), (20, 12)])
def test_twenty_sites_take_the_queries_of_two_and_one_site_fewer(
    count: int, queries: int, django_assert_num_queries: Any
) -> None:
    terminals = [make_terminal() for _ in range(count)]
    for terminal in terminals:
        terminal.add_speakers(1, TODAY + dt.timedelta(days=3))
    # one of them writes when each run is to be tested again, which nobody could list or be reminded of
    # otherwise
    with django_assert_num_queries(queries):
        checked(*(terminal.site_id for terminal in terminals))
    assert SiteCheck.objects.count() == count


def test_the_clock_is_that_of_the_database(terminal: Terminal) -> None:
    found = check([terminal.site_id])
    assert found is not None
    assert abs(found.now - dt.datetime.now(dt.UTC)) < dt.timedelta(minutes=5)
    assert found.as_of == (found.now.date(),)


def test_the_services_own_role_may_do_all_of_it(
    terminal: Terminal, as_service: Callable[[], AbstractContextManager[None]]
) -> None:
    terminal.add_speakers(1, TODAY + dt.timedelta(days=3))
    with as_service():
        raise_due(NOW)
        checked(terminal.site_id)
        checked_again = check([terminal.site_id], now=NOW)
    assert checked_again is None
    assert DueDate.objects.count() == 1
