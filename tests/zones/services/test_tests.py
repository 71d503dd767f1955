"""Tests stay said; a correction supersedes. Each kind has its own subjects, states and outcomes."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.utils import timezone

from sites.changes.errors import ChangeRefused
from sites.changes.making import today_at, today_in
from sites.changes.operations import accept, is_measured, read_operations
from sites.changes.steps import day_of, last_step_of
from sites.models import Closet, Instrument, Site
from sites.services.instruments import instrument_add, instrument_alter
from sites.services.sites import site_alter
from tests import factories
from tests.factories import change
from tests.sites.changes.rows import accepted, refused, say, sql
from zones.models import KINDS, Run, Test
from zones.plant.selectors import read_plant
from zones.rules.tests import has_come
from zones.services.tests import record_test, supersede_test
from zones.services.visits import visit_record

pytestmark = pytest.mark.django_db
DAY = dt.date(2025, 9, 1)
Kind, State = Test.Kind, Test.State


@pytest.fixture
def reading(site: Site, run: Run) -> Test:
    return record_test(
        change(site, happened_on=DAY),
        kind=Kind.RUN_CURRENT,
        state=State.PAGING,
        value=0.42,
        taken_on=DAY,
        run=run,
        technician="R. Vale",
        instrument="clamp 3",
    ).result


def test_what_was_read_is_the_record_at_the_end_of_its_day(site: Site, reading: Test) -> None:
    assert reading.step == last_step_of(DAY)
    assert day_of(reading.step) == DAY


def test_a_later_reading_supersedes_and_keeps_what_is_not_said(site: Site, reading: Test) -> None:
    better = supersede_test(change(site, happened_on=DAY), test=reading, value=0.24).result
    assert (better.value, better.technician, better.run, better.supersedes) == (
        0.24,
        "R. Vale",
        reading.run,
        reading,
    )
    reading.refresh_from_db()
    assert reading.value == 0.42
    with pytest.raises(ChangeRefused, match="superseded already"):
        supersede_test(change(site, happened_on=DAY), test=reading, value=0.25)


def test_a_reading_is_never_rewritten(site: Site, reading: Test) -> None:
    say(accepted(site.pk))
    with refused("reading_is_only_added_to"):
        sql("UPDATE reading SET value = 1, change_set_id = zonebook_change_set()")


def test_a_tone_is_paged(site: Site, run: Run, reading: Test) -> None:
    tone: dict[str, Any] = {"signal": Test.Signal.TONE, "value": 0.8, "taken_on": DAY, "run": run}
    at = change(site, happened_on=DAY)
    assert reading.signal == Test.Signal.SPEECH
    read = record_test(at, kind=Kind.RUN_CURRENT, state=State.PAGING, **tone).result
    with pytest.raises(ChangeRefused, match="taken without a tone") as caught:
        record_test(at, kind=Kind.RUN_CURRENT, state=State.IDLE, **tone)
    assert caught.value.problems[0].pointer == "/signal"
    with pytest.raises(ChangeRefused, match="taken without a tone"):
        supersede_test(at, test=read, state=State.IDLE)
    better = supersede_test(at, test=reading, signal=Test.Signal.TONE).result
    assert (better.signal, better.value) == (Test.Signal.TONE, 0.42)
    say(accepted(site.pk))
    with refused("reading_tone_while_paging"):
        sql(
            "INSERT INTO reading (site_id, kind, state, signal, run_id, value, taken_on, step, technician, "
            "instrument, note) "
            "VALUES (%s, 'run_current', 'idle', 'tone', %s, 1, %s, zonebook_step(), '', '', '')",
            site.pk, run.pk, DAY,
        )  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "subject", "pointer"),
    [
        (Kind.RUN_CURRENT, {}, "/run_id"),
        (Kind.RUN_CURRENT, {"run", "point"}, "/point_id"),
        (Kind.END_VOLTAGE, {"run"}, "/point_id"),
        (Kind.POE_POWER, {"run"}, "/switch_id"),
        (Kind.POE_POWER, {"switch", "run"}, "/run_id"),
        (Kind.RUN_CURRENT, {"run", "zone"}, "/zone_id"),
    ],
)
def test_a_reading_is_of_what_its_kind_measures(
    site: Site, closet: Closet, run: Run, kind: Test.Kind, subject: set[str], pointer: str
) -> None:
    (point,) = factories.make_points(run, 1)
    things: dict[str, Any] = {"run": run, "point": point, "switch": factories.make_switch(closet)}
    things["zone"] = factories.make_zone(site)
    with pytest.raises(ChangeRefused) as caught:
        record_test(
            change(site, happened_on=DAY),
            kind=kind,
            state=State.IDLE,
            value=1.0,
            taken_on=DAY,
            **{name: things[name] for name in subject},
        )
    assert caught.value.problems[0].pointer == pointer


def test_a_voltage_is_of_a_point_of_its_run(site: Site, run: Run) -> None:
    (point,) = factories.make_points(run, 1)
    other = factories.make_run(run.block)
    fields: dict[str, Any] = {"kind": Kind.END_VOLTAGE, "state": State.IDLE, "value": 21.0, "taken_on": DAY}
    with pytest.raises(ChangeRefused, match="belongs to another run"):
        record_test(change(site, happened_on=DAY), run=other, point=point, **fields)
    assert record_test(change(site, happened_on=DAY), point=point, **fields).result.run == run


def test_nothing_is_read_in_the_future(site: Site, run: Run) -> None:
    with pytest.raises(ChangeRefused) as caught:
        record_test(
            change(site, happened_on=DAY),
            kind=Kind.RUN_CURRENT,
            state=State.IDLE,
            value=0.1,
            taken_on=DAY + dt.timedelta(days=1),
            run=run,
        )
    assert caught.value.problems[0].pointer == "/taken_on"


# --- what each kind wants -----------------------------------------------------------------------------------

GOOD: dict[Test.Kind, dict[str, Any]] = {
    Kind.CONTINUITY: {"passed": True},
    Kind.SHORTS: {"passed": False},
    Kind.POLARITY: {"passed": True},
    Kind.TONE_TRACE: {"passed": True},
    Kind.END_VOLTAGE: {"state": State.PAGING, "value": 21.4},
    Kind.RUN_CURRENT: {"state": State.IDLE, "value": 0.12},
    Kind.LOOP_RESISTANCE: {"value": 3.37},
    Kind.LINE_IMPEDANCE: {"value": 20_000.0},
    Kind.INSULATION: {"value": 5.5e8, "electronics_disconnected": True},
    Kind.LISTENING: {"state": State.PAGING, "passed": True},
    Kind.LEVEL: {"state": State.PAGING, "signal": Test.Signal.TONE, "value": -4.1},
    Kind.POE_POWER: {"state": State.PAGING, "value": 48.0},
}
UNITS = {
    Kind.END_VOLTAGE: "V", Kind.RUN_CURRENT: "A", Kind.LOOP_RESISTANCE: "Ω", Kind.LINE_IMPEDANCE: "Ω",
    Kind.INSULATION: "Ω", Kind.LEVEL: "dB", Kind.POE_POWER: "W",
}  # fmt: skip


@pytest.fixture
def record(site: Site, run: Run) -> Callable[..., Test]:
    """Records a test of the run, of its first point or of a switch, as its kind says."""
    (point,) = factories.make_points(run, 1)

    def recorded(kind: Test.Kind, **said: Any) -> Test:
        subject: dict[str, Any] = {"run": run}
        if "point" in KINDS[kind].subjects[0]:
            subject = {"point": point}
        if kind == Kind.POE_POWER:
            subject = {"switch": factories.make_switch(run.block.closet)}
        return record_test(
            change(site, happened_on=DAY), **{"kind": kind, "taken_on": DAY, **subject, **GOOD[kind], **said}
        ).result

    return recorded


def test_there_is_one_entry_a_kind() -> None:
    assert set(KINDS) == set(Kind) == set(GOOD)


@pytest.mark.parametrize("kind", list(Kind))
def test_a_test_of_each_kind(record: Callable[..., Test], kind: Test.Kind) -> None:
    test = record(kind)
    assert test.unit == UNITS.get(kind)
    assert (test.value is None) is (kind not in UNITS)
    assert (test.passed is None) is (kind in UNITS)
    assert test.signal_paged == (test.signal if test.state == State.PAGING else None)


@pytest.mark.parametrize(
    ("kind", "said", "pointer", "stated"),
    [
        (Kind.CONTINUITY, {"passed": None}, "/passed", "says whether it passed"),
        (Kind.CONTINUITY, {"value": 1.0}, "/value", "has no value: say whether it passed"),
        (Kind.CONTINUITY, {"state": State.IDLE}, "/state", "on a dead wire: leave the state out"),
        (Kind.CONTINUITY, {"instrument_error": 0.1}, "/instrument_error", "no error of it"),
        (Kind.RUN_CURRENT, {"state": None}, "/state", "says its state: idle or paging"),
        (Kind.RUN_CURRENT, {"value": None}, "/value", "gives a value in A"),
        (Kind.RUN_CURRENT, {"unit": "mA"}, "/unit", "is in A, not in mA"),
        (Kind.RUN_CURRENT, {"passed": True}, "/passed", "leave out whether it passed"),
        (Kind.RUN_CURRENT, {"value": -0.1}, "/value", "expected a number from 0 to 10000 [A]"),
        (Kind.LEVEL, {"state": State.IDLE, "signal": Test.Signal.SPEECH}, "/state", "taken paging; not idle"),
        (Kind.LEVEL, {"value": 41.0}, "/value", "from -120 to 40 [dB]"),
        (Kind.LOOP_RESISTANCE, {"signal": Test.Signal.TONE}, "/signal", "Nothing is paged"),
        (Kind.INSULATION, {"electronics_disconnected": None}, "/electronics_disconnected", "Disconnect all"),
        (Kind.INSULATION, {"electronics_disconnected": False}, "/electronics_disconnected", "destroys them"),
        (Kind.SHORTS, {"electronics_disconnected": True}, "/electronics_disconnected", "leave it out"),
    ],
)
def test_what_contradicts_its_kind(
    record: Callable[..., Test], kind: Test.Kind, said: dict[str, Any], pointer: str, stated: str
) -> None:
    with pytest.raises(ChangeRefused) as caught:
        record(kind, **said)
    assert [problem.pointer for problem in caught.value.problems] == [pointer]
    assert stated in caught.value.problems[0].detail


def test_somebody_listens_in_a_zone_or_along_a_run(site: Site, run: Run) -> None:
    heard: dict[str, Any] = {"kind": Kind.LISTENING, "taken_on": DAY, **GOOD[Kind.LISTENING]}
    zone, at = factories.make_zone(site), change(site, happened_on=DAY)
    assert record_test(at, zone=zone, **heard).result.zone == zone
    both: dict[str, Any] = {"zone": zone, "run": run}
    for named in (both, {}):
        with pytest.raises(ChangeRefused, match="names its run or its zone, one of them alone"):
            record_test(at, **named, **heard)


@pytest.mark.parametrize("unit", ["Ω", "ohm", "\N{OHM SIGN}"])
def test_an_ohm_is_spelt_in_several_ways(record: Callable[..., Test], unit: str) -> None:
    assert record(Kind.LOOP_RESISTANCE, unit=unit).value == 3.37


def test_what_is_compared_with_the_record_is_read_with_it(
    site: Site, run: Run, record: Callable[..., Test]
) -> None:
    for kind in Kind:
        record(kind)
    found = read_plant([site.pk])
    kinds = {Test.objects.get(pk=int(number)).kind for number in found.readings.reading_id}
    assert kinds == {
        Kind.RUN_CURRENT, Kind.END_VOLTAGE, Kind.LOOP_RESISTANCE, Kind.LINE_IMPEDANCE, Kind.LEVEL,
    }  # fmt: skip
    assert len(found.poe_readings.reading_id) == 1


# --- instruments and visits ---------------------------------------------------------------------------------


@pytest.fixture
def meter() -> Instrument:
    return instrument_add(
        change(),
        name="clamp meter 3",
        kind=Instrument.Kind.CLAMP_METER,
        serial="L-00317",
        calibrated_on=dt.date(2024, 9, 2),
        calibration_due_on=DAY,
    ).result


def test_a_test_notes_the_calibration_of_its_instrument(
    record: Callable[..., Test], meter: Instrument, site: Site
) -> None:
    test = record(Kind.RUN_CURRENT, instrument_record=meter)
    assert (test.instrument, test.calibrated_on, test.calibration_due_on) == (
        "clamp meter 3",
        dt.date(2024, 9, 2),
        DAY,
    )
    assert test.calibration_lapsed is False  # its last day counts
    instrument_alter(change(), instrument=meter, calibration_due_on=dt.date(2025, 8, 31))
    test.refresh_from_db()
    assert test.calibration_lapsed is False
    assert record(Kind.RUN_CURRENT, instrument_record=meter).calibration_lapsed is True
    assert record(Kind.RUN_CURRENT).calibration_lapsed is None


def test_a_calibration_after_the_test_says_nothing_of_it(
    record: Callable[..., Test], meter: Instrument
) -> None:
    instrument_alter(
        change(), instrument=meter, calibrated_on=dt.date(2025, 9, 2), calibration_due_on=dt.date(2026, 9, 2)
    )
    test = record(Kind.RUN_CURRENT, instrument_record=meter)
    assert (test.calibrated_on, test.calibration_due_on, test.calibration_lapsed) == (None, None, None)
    stated = record(Kind.RUN_CURRENT, instrument_record=meter, calibration_due_on=dt.date(2025, 8, 1))
    assert stated.calibration_lapsed is True


def test_another_instrument_in_a_correction_brings_its_own_calibration(
    record: Callable[..., Test], meter: Instrument, site: Site
) -> None:
    test = record(Kind.RUN_CURRENT, instrument="meter 9", calibrated_on=dt.date(2020, 1, 1))
    better = supersede_test(change(site, happened_on=DAY), test=test, instrument_record=meter).result
    assert (better.instrument, better.calibrated_on) == ("clamp meter 3", dt.date(2024, 9, 2))


def test_a_calibration_is_due_after_it_was_made(meter: Instrument) -> None:
    with pytest.raises(ChangeRefused, match="which is before") as caught:
        instrument_alter(change(), instrument=meter, calibrated_on=dt.date(2025, 9, 2))
    assert caught.value.problems[0].pointer == "/calibration_due_on"


def test_a_test_belongs_to_a_visit_of_its_day(
    site: Site, closet: Closet, record: Callable[..., Test]
) -> None:
    at = change(site, happened_on=DAY)
    visit = visit_record(at, closet=closet, visited_on=DAY, technician="R. Vale").result
    assert record(Kind.SHORTS, visit=visit).visit == visit
    before = DAY - dt.timedelta(days=1)
    earlier = visit_record(at, closet=closet, visited_on=before, technician="R. Vale").result
    with pytest.raises(ChangeRefused, match="name one of the same day") as caught:
        record(Kind.SHORTS, visit=earlier)
    assert caught.value.problems[0].pointer == "/visit_id"
    with pytest.raises(ChangeRefused, match="recorded already"):
        visit_record(at, closet=closet, visited_on=DAY, technician="r. vale")
    with pytest.raises(ChangeRefused, match="after the day of this change"):
        visit_record(at, closet=closet, visited_on=DAY + dt.timedelta(days=1), technician="R. Vale")


def test_nothing_was_tested_on_a_day_to_come(site: Site, run: Run) -> None:
    tomorrow = today_at(site.pk) + dt.timedelta(days=1)
    with pytest.raises(ChangeRefused, match="is to come"):
        record_test(
            change(site, happened_on=tomorrow, planned=True),
            kind=Kind.SHORTS, passed=True, taken_on=tomorrow, run=run,
        )  # fmt: skip


@pytest.mark.parametrize(
    ("ahead", "come"), [(-60, True), (0, True), (4, True), (6, False), (180, False)], ids=str
)
def test_nothing_was_tested_at_a_time_to_come(
    site: Site, run: Run, monkeypatch: pytest.MonkeyPatch, ahead: int, come: bool
) -> None:
    """Noon of the site's day, in winter an hour after noon UTC; minutes from then."""
    site_alter(change(site), time_zone="Europe/Vienna")
    monkeypatch.setattr(timezone, "now", lambda: dt.datetime(2025, 12, 1, 11, 0, tzinfo=dt.UTC))
    day, noon = dt.date(2025, 12, 1), dt.datetime(2025, 12, 1, 12, 0, tzinfo=ZoneInfo("Europe/Vienna"))
    taken_at = f"{noon + dt.timedelta(minutes=ahead):%H:%M}"

    def record() -> Test:
        at = change(site, happened_on=day)
        return record_test(at, kind=Kind.SHORTS, passed=True, taken_on=day, taken_at=taken_at, run=run).result

    if come:
        assert record().taken_at == taken_at
        return
    with pytest.raises(ChangeRefused) as caught:
        record()
    assert [(one.pointer, one.detail) for one in caught.value.problems] == [
        ("/taken_at", f"Taken at {taken_at}, which is to come: it is 12:00 at the site.")
    ]


def test_the_first_of_two_hours_that_clocks_show_alike_is_meant() -> None:
    """Clocks of Lisbon go back at 02:00 on that day, to 01:00: at 01:05 again, 01:50 has been."""
    again = dt.datetime(2025, 10, 26, 1, 5, tzinfo=ZoneInfo("Europe/Lisbon"), fold=1)
    assert list(has_come(again.date(), "01:50", again)) == []
    assert [one.pointer for one in has_come(again.date(), "24:00", again)] == ["/taken_at"]


def test_no_instrument_was_calibrated_on_a_day_to_come() -> None:
    """It may be tomorrow already at the sites that it is used at."""
    clamp: dict[str, Any] = {"name": "clamp 4", "kind": Instrument.Kind.CLAMP_METER}
    with pytest.raises(ChangeRefused, match="give the day of its last calibration") as caught:
        instrument_add(change(), **clamp, calibrated_on=today_in("UTC") + dt.timedelta(days=2))
    assert caught.value.problems[0].pointer == "/calibrated_on"
    assert instrument_add(change(), **clamp, calibrated_on=today_in("Pacific/Kiritimati")).result.pk


def test_raw_sql_takes_no_test_of_a_time_to_come_either(site: Site, run: Run) -> None:
    """In a time zone where it is six in the morning now."""
    ahead = (6 - dt.datetime.now(dt.UTC).hour + 12) % 24 - 12
    site_alter(change(site), time_zone=f"Etc/GMT{-ahead:+d}" if ahead else "UTC")
    today = today_at(site.pk)

    def insert(taken_at: str) -> None:
        say(accepted(site.pk, happened_on=today.isoformat()))
        sql(
            "INSERT INTO reading (site_id, kind, run_id, passed, taken_on, taken_at, step, change_set_id, "
            "technician, instrument, note) VALUES (%s, 'shorts', %s, true, %s, %s, zonebook_step(), "
            "zonebook_change_set(), '', '', '')",
            site.pk, run.pk, today, taken_at,
        )  # fmt: skip

    insert("")
    insert("05:00")
    for time in ("10:00", "24:00"):
        with refused("reading_has_come"):
            insert(time)


def test_raw_sql_takes_no_calibration_to_come_either() -> None:
    meter = instrument_add(change(), name="clamp 4", kind=Instrument.Kind.CLAMP_METER).result
    say(accepted(None))
    update = "UPDATE instrument SET calibrated_on = %s, change_set_id = zonebook_change_set() WHERE id = %s"
    with refused("instrument_calibrated"):
        sql(update, today_in("UTC") + dt.timedelta(days=2), meter.pk)
    sql(update, today_in("UTC"), meter.pk)


# --- what a release before called it ------------------------------------------------------------------------


def test_a_draft_of_a_release_before_is_still_accepted(site: Site, run: Run, reading: Test) -> None:
    recorded = {"op": "reading.record", "kind": "run_current", "state": "idle", "value": 0.05,
                "taken_on": DAY.isoformat(), "run_id": run.pk, "instrument": "clamp 3"}  # fmt: skip
    better = {"op": "reading.supersede", "reading_id": reading.pk, "value": 0.4}
    for body in (recorded, better):
        (call,) = read_operations([body])
        accept(change(site, happened_on=DAY), [call])
    assert is_measured([recorded, better])
    assert sorted(Test.objects.values_list("value", "instrument")) == [
        (0.05, "clamp 3"),
        (0.4, "clamp 3"),
        (0.42, "clamp 3"),
    ]
