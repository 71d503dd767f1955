"""Tests: what was measured or tried on a day."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Any, Final

from sites.changes.errors import refuse, require
from sites.changes.making import now_in
from sites.changes.operations import Former, Use, operation
from sites.changes.steps import last_step_of
from sites.changes.work import Work, describe
from sites.fields import LineField, facts_of
from sites.models import Site, Switch
from zones.models import Point, Run, Test, Zone
from zones.rules.tests import SUBJECTS, has_come, problems_of_test, taken_by_then, visit_fits

_SUBJECT: Final = ("kind", *SUBJECTS, "power_group")
_CIRCUMSTANCES: Final = facts_of(Test, *_SUBJECT, "taken_on", "supersedes")
_CALIBRATION: Final = ("calibrated_on", "calibration_due_on")
_Unit = Annotated[
    str, LineField(max_length=8, help_text="Of the value, to be checked; left out: that of its kind.")
]


@operation(
    "test.record",
    "Something was measured, or tried whether it passes.",
    of=Test,
    takes=_CIRCUMSTANCES,
    use=Use.ANY,
    measured=True,
    former=Former("reading.record", {}),
)
def record_test(
    work: Work,
    /,
    *,
    kind: Test.Kind,
    taken_on: dt.date,
    run: Run | None = None,
    point: Point | None = None,
    zone: Zone | None = None,
    switch: Switch | None = None,
    power_group: int | None = None,
    unit: _Unit = "",
    **circumstances: Any,
) -> Test:
    if point is not None and run is not None and point.run_id != run.pk:
        raise refuse(f"{describe(point)} belongs to another run.", code="other_run", path="/point_id")
    named = {"run": run if point is None else point.run, "point": point, "zone": zone, "switch": switch}
    return _add(work, {**named, "kind": kind, "power_group": power_group, **circumstances}, taken_on, unit)


@operation(
    "test.supersede",
    "A test was written down wrongly: another takes its place.",
    of=Test,
    takes=_CIRCUMSTANCES,
    use=Use.ANY,
    measured=True,
    former=Former("reading.supersede", {"reading_id": "test_id"}),
)
def supersede_test(
    work: Work,
    /,
    *,
    test: Test,
    taken_on: dt.date | None = None,
    unit: _Unit = "",
    **circumstances: Any,
) -> Test:
    if Test.objects.filter(supersedes=test).exists():
        raise refuse(f"Test {test.pk} is superseded already.", code="superseded", path="/test_id")
    kept = {name: getattr(test, name) for name in (*_SUBJECT, *_CIRCUMSTANCES)}
    if circumstances.get("instrument_record") is not None:
        # Another instrument: what was noted of the former one does not hold
        kept |= {"instrument": "", **dict.fromkeys(_CALIBRATION)}
    return _add(work, kept | circumstances | {"supersedes": test}, taken_on or test.taken_on, unit)


def _add(work: Work, values: dict[str, Any], taken_on: dt.date, unit: str) -> Test:
    values |= _calibration(values, taken_on)
    visit = values.get("visit")
    site = work.site or Site.objects.get(pk=work.site_id)
    now = now_in(site.time_zone)
    require(
        problems_of_test(values["kind"], values | {"unit": unit}),
        [*taken_by_then(taken_on, work.change_set.happened_on)]
        or has_come(taken_on, values.get("taken_at") or "", now),
        visit_fits(taken_on, None if visit is None else visit.visited_on),
    )
    # What was tested is the record as it stood at the end of that day, and from then on it holds
    return work.add(Test(**values, taken_on=taken_on, step=last_step_of(taken_on)))


def _calibration(values: dict[str, Any], taken_on: dt.date) -> dict[str, Any]:
    """What the record of the instrument says of it, where the test does not. A calibration after the test
    says nothing of the one that counted then."""
    record = values.get("instrument_record")
    if record is None:
        return {}
    found: dict[str, Any] = {} if values.get("instrument") else {"instrument": record.name}
    stated = any(values.get(name) is not None for name in _CALIBRATION)
    if not stated and (record.calibrated_on is None or record.calibrated_on <= taken_on):
        found |= {name: getattr(record, name) for name in _CALIBRATION}
    return found
