"""Readings: what an instrument said on a day."""

from __future__ import annotations

import datetime as dt
from typing import Any

from sites.changes.errors import refuse, require
from sites.changes.operations import Use, operation
from sites.changes.steps import last_step_of
from sites.changes.work import Work, describe
from sites.fields import facts_of
from sites.models import Switch
from zones.models import Point, Reading, Run
from zones.rules.readings import signal_fits, subject_fits, taken_by_then

_SUBJECT = ("kind", "run", "point", "switch", "power_group")
_CIRCUMSTANCES = facts_of(Reading, *_SUBJECT, "state", "value", "taken_on", "supersedes")


@operation(
    "reading.record", "An instrument was read.", of=Reading, takes=_CIRCUMSTANCES, use=Use.ANY, measured=True
)
def reading_record(
    work: Work,
    /,
    *,
    kind: Reading.Kind,
    state: Reading.State,
    value: float,
    taken_on: dt.date,
    run: Run | None = None,
    point: Point | None = None,
    switch: Switch | None = None,
    power_group: int | None = None,
    **circumstances: Any,
) -> Reading:
    given = {"run": run if point is None else point.run, "point": point, "switch": switch}
    require(subject_fits(kind, [name for name, thing in given.items() if thing is not None]))
    if point is not None and run is not None and point.run_id != run.pk:
        raise refuse(f"{describe(point)} is of another run.", code="other_run", path="/point_id")
    require(
        signal_fits(state, circumstances.get("signal", Reading.Signal.SPEECH)),
        taken_by_then(taken_on, work.change_set.happened_on),
    )
    reading = Reading(
        kind=kind,
        state=state,
        value=value,
        taken_on=taken_on,
        # What was measured is the record as it stood at the end of that day, and from then on it holds
        step=last_step_of(taken_on),
        power_group=power_group,
        **given,
        **circumstances,
    )
    return work.add(reading)


@operation(
    "reading.supersede",
    "A reading was written down wrongly: another takes its place.",
    of=Reading,
    takes=_CIRCUMSTANCES,
    use=Use.ANY,
    measured=True,
)
def reading_supersede(
    work: Work,
    /,
    *,
    reading: Reading,
    value: float | None = None,
    state: Reading.State | None = None,
    taken_on: dt.date | None = None,
    **circumstances: Any,
) -> Reading:
    if Reading.objects.filter(supersedes=reading).exists():
        raise refuse(f"Reading {reading.pk} is superseded already.", code="superseded", path="/reading_id")
    day = taken_on or reading.taken_on
    kept = {name: getattr(reading, name) for name in (*_SUBJECT, *_CIRCUMSTANCES)} | circumstances
    require(
        signal_fits(state or reading.state, kept["signal"]),
        taken_by_then(day, work.change_set.happened_on),
    )
    return work.add(
        Reading(
            **kept,
            value=reading.value if value is None else value,
            state=state or reading.state,
            taken_on=day,
            step=last_step_of(day),
            supersedes=reading,
        )
    )
