"""Readings stay said; a correction supersedes."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from sites.changes.errors import ChangeRefused
from sites.changes.steps import day_of, last_step_of
from sites.models import Closet, Site
from tests import factories
from tests.factories import change
from tests.sites.changes.rows import accepted, refused, say, sql
from zones.models import Reading, Run
from zones.services.readings import reading_record, reading_supersede

pytestmark = pytest.mark.django_db
DAY = dt.date(2025, 9, 1)
Kind, State = Reading.Kind, Reading.State


@pytest.fixture
def reading(site: Site, run: Run) -> Reading:
    return reading_record(
        change(site, happened_on=DAY),
        kind=Kind.RUN_CURRENT,
        state=State.PAGING,
        value=0.42,
        taken_on=DAY,
        run=run,
        technician="R. Vale",
        instrument="clamp 3",
    ).result


def test_what_was_read_is_the_record_at_the_end_of_its_day(site: Site, reading: Reading) -> None:
    assert reading.step == last_step_of(DAY)
    assert day_of(reading.step) == DAY


def test_a_later_reading_supersedes_and_keeps_what_is_not_said(site: Site, reading: Reading) -> None:
    better = reading_supersede(change(site, happened_on=DAY), reading=reading, value=0.24).result
    assert (better.value, better.technician, better.run, better.supersedes) == (
        0.24,
        "R. Vale",
        reading.run,
        reading,
    )
    reading.refresh_from_db()
    assert reading.value == 0.42
    with pytest.raises(ChangeRefused, match="superseded already"):
        reading_supersede(change(site, happened_on=DAY), reading=reading, value=0.25)


def test_a_reading_is_never_rewritten(site: Site, reading: Reading) -> None:
    say(accepted(site.pk))
    with refused("reading_is_only_added_to"):
        sql("UPDATE reading SET value = 1, change_set_id = zonebook_change_set()")


def test_a_tone_is_paged(site: Site, run: Run, reading: Reading) -> None:
    tone: dict[str, Any] = {"signal": Reading.Signal.TONE, "value": 0.8, "taken_on": DAY, "run": run}
    at = change(site, happened_on=DAY)
    assert reading.signal == Reading.Signal.SPEECH
    read = reading_record(at, kind=Kind.RUN_CURRENT, state=State.PAGING, **tone).result
    with pytest.raises(ChangeRefused, match="taken without a tone") as caught:
        reading_record(at, kind=Kind.RUN_CURRENT, state=State.IDLE, **tone)
    assert caught.value.problems[0].pointer == "/signal"
    with pytest.raises(ChangeRefused, match="taken without a tone"):
        reading_supersede(at, reading=read, state=State.IDLE)
    better = reading_supersede(at, reading=reading, signal=Reading.Signal.TONE).result
    assert (better.signal, better.value) == (Reading.Signal.TONE, 0.42)
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
    ],
)
def test_a_reading_is_of_what_its_kind_measures(
    site: Site, closet: Closet, run: Run, kind: Reading.Kind, subject: set[str], pointer: str
) -> None:
    (point,) = factories.make_points(run, 1)
    things: dict[str, Any] = {"run": run, "point": point, "switch": factories.make_switch(closet)}
    with pytest.raises(ChangeRefused) as caught:
        reading_record(
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
    with pytest.raises(ChangeRefused, match="is of another run"):
        reading_record(change(site, happened_on=DAY), run=other, point=point, **fields)
    assert reading_record(change(site, happened_on=DAY), point=point, **fields).result.run == run


def test_nothing_is_read_in_the_future(site: Site, run: Run) -> None:
    with pytest.raises(ChangeRefused) as caught:
        reading_record(
            change(site, happened_on=DAY),
            kind=Kind.RUN_CURRENT,
            state=State.IDLE,
            value=0.1,
            taken_on=DAY + dt.timedelta(days=1),
            run=run,
        )
    assert caught.value.problems[0].pointer == "/taken_on"
