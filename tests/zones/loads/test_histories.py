"""How a zone's figures came about."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

import pytest

from sites.changes.services import change_accept
from sites.models import Basis, DeviceModel
from sites.services.power import supply_alter
from sites.services.sites import site_alter
from tests import factories
from tests.halls import Hall
from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Verdict
from zones.loads.histories import Line, zone_history
from zones.services.points import point_alter, point_correct, point_remove

pytestmark = pytest.mark.django_db
BUILT = factories.BUILT_ON
FIRST, SECOND, THIRD = (BUILT + dt.timedelta(days=days) for days in (100, 200, 300))
TODAY = BUILT + dt.timedelta(days=600)


@pytest.fixture
def drift(hall: Hall) -> Hall:
    """12 speakers more than the supply should feed; later a larger supply, and later still a smaller one."""
    factories.make_points(
        hall.run, 1, hall.speaker, length_m=1.0, current_basis=Basis.MEASURED, happened_on=BUILT, name="gate"
    )
    point_remove(factories.change(hall.site), point=hall.run.points.get(name="gate"))
    body = {"op": "point.append", "model_id": hall.speaker.pk, "current_basis": "measured", "length_m": 1.0}
    change = factories.change(
        hall.site, happened_on=FIRST, actor="Rune Vale", reason="too quiet", job_reference="LS-2207"
    )
    bodies = [
        {**body, "run_id": hall.gangway_run.pk, "length_basis": "measured", "label": f"n{n}"}
        for n in range(12)
    ]
    change_accept(change, bodies)
    for day, rated in ((SECOND, 4.0), (THIRD, 1.0)):
        model = factories.make_model(DeviceModel.Kind.SUPPLY, rated_current_a=rated, name=f"PS-{rated:g}")
        supply_alter(
            factories.change(hall.site, happened_on=day, actor="Ida Lark"), supply=hall.supply, model=model
        )
    return hall


def line(hall: Hall, code: str, subject: int, as_of: dt.date = TODAY) -> Line:
    (found,) = (
        one
        for one in zone_history(hall.zone.pk, hall.site.pk, as_of)
        if (one.limit.code, one.subject[1]) == (code, subject)
    )
    return found


def test_a_supply_over_time(drift: Hall) -> None:
    supply = line(drift, "supply_current", drift.supply.pk)
    assert [entry.day for entry in supply.entries] == [BUILT, FIRST, SECOND, THIRD]
    # by hand: 40 and 52 speakers at 40 mA; 0.8 of 2, 4 and 1 A
    assert [entry.estimates.likely.value for entry in supply.entries] == pytest.approx(
        [1.60, 2.08, 2.08, 2.08]
    )
    assert [entry.estimates.likely.limit for entry in supply.entries] == pytest.approx([1.6, 1.6, 3.2, 0.8])
    assert [entry.verdict for entry in supply.entries] == [
        Verdict.CANNOT_TELL, Verdict.PAST, Verdict.WITHIN, Verdict.PAST,
    ]  # fmt: skip
    assert supply.baseline == supply.entries[0]
    assert not supply.surveyed


def test_each_change_has_a_sentence(drift: Hall) -> None:
    supply = line(drift, "supply_current", drift.supply.pk)
    found, added, larger, smaller = (entry.sentence for entry in supply.entries)
    assert found == "As found on the first day, 2024-03-04: supply PS 1 at 1.60 A; limit 1.60 A."
    assert added == (
        "12 wall speakers added on 2024-06-12 by Rune Vale, job LS-2207: supply PS 1 went from 1.60 A to "
        "2.08 A; limit 1.60 A."
    )
    assert larger == (
        "Supply PS 1 replaced, rated current raised from 2.00 A to 4.00 A on 2024-09-20 by Ida Lark: limit "
        "of supply PS 1 raised from 1.60 A to 3.20 A; figure 2.08 A."
    )
    assert smaller == (
        "Supply PS 1 replaced, rated current lowered from 4.00 A to 1.00 A on 2024-12-29 by Ida Lark: "
        "limit of supply PS 1 lowered from 3.20 A to 0.80 A; figure 2.08 A."
    )
    second = supply.entries[1]
    assert second.change_set is not None
    assert (second.change_set.actor, second.change_set.reason) == ("Rune Vale", "too quiet")


def test_crossings_there_and_back(drift: Hall) -> None:
    supply = line(drift, "supply_current", drift.supply.pk)
    assert [(crossing.entry.day, crossing.past) for crossing in supply.crossings] == [
        (FIRST, True),
        (SECOND, False),
        (THIRD, True),
    ]


def test_what_is_past_now_has_its_attribution(drift: Hall) -> None:
    supply = line(drift, "supply_current", drift.supply.pk)
    assert supply.attribution is not None
    assert supply.attribution["day"] == THIRD.isoformat()
    assert line(drift, "supply_current", drift.supply.pk, SECOND).attribution is None
    assert line(drift, "endpoint_cable", drift.gateway.pk).attribution is None


def test_what_never_changed_has_one_entry(drift: Hall) -> None:
    cable = line(drift, "endpoint_cable", drift.gateway.pk)
    assert [entry.day for entry in cable.entries] == [BUILT]
    assert cable.crossings == ()


def test_only_what_bears_on_the_zone_and_only_the_limits_asked_for(drift: Hall) -> None:
    lines = zone_history(drift.zone.pk, drift.site.pk, TODAY)
    assert (SubjectKind.RUN, drift.gangway_run.pk) not in {one.subject for one in lines}
    asked = zone_history(drift.zone.pk, drift.site.pk, TODAY, codes=["run_voltage"])
    assert [(one.limit.code, one.subject) for one in asked] == [
        ("run_voltage", (SubjectKind.RUN, drift.run.pk))
    ]
    assert zone_history(drift.zone.pk, drift.site.pk, BUILT - dt.timedelta(days=1)) == ()


def test_the_worst_comes_first(drift: Hall) -> None:
    lines = zone_history(drift.zone.pk, drift.site.pk, TODAY)
    verdicts = [one.entries[-1].verdict for one in lines]
    assert verdicts == sorted(verdicts, reverse=True)


def test_a_site_taken_over_begins_with_its_survey(drift: Hall) -> None:
    site_alter(factories.change(drift.site, happened_on=TODAY), surveyed_on=FIRST)
    supply = line(drift, "supply_current", drift.supply.pk)
    assert supply.surveyed
    assert supply.entries[0].day == FIRST
    assert supply.entries[0].estimates.likely.value == pytest.approx(2.08)
    assert supply.entries[0].sentence.startswith("As found by the survey of 2024-06-12")


def test_a_correction_is_shown_beside_the_work(drift: Hall) -> None:
    added = drift.gangway_run.points.order_by("-rank")[0]
    point_correct(
        factories.change(drift.site, happened_on=TODAY, actor="Ida Lark", reason="label read"),
        point=added,
        speech_current_a=0.06,
        current_basis=Basis.MEASURED,
    )
    supply = line(drift, "supply_current", drift.supply.pk)
    second = supply.entries[1]
    assert second.estimates.likely.value == pytest.approx(2.10)
    assert second.correction is not None
    assert "corrected on 2025-10-25 by Ida Lark (“label read”)" in second.sentence
    assert [entry.day for entry in supply.entries] == [BUILT, FIRST, SECOND, THIRD], "nothing was added"


def test_the_cost_does_not_grow_with_the_record(
    drift: Hall, django_assert_max_num_queries: Callable[..., Any]
) -> None:
    with django_assert_max_num_queries(45):
        zone_history(drift.zone.pk, drift.site.pk, TODAY)


def test_a_small_step_is_shown_in_as_many_digits_as_it_takes(drift: Hall) -> None:
    point_correct(
        factories.change(drift.site, happened_on=TODAY),
        point=drift.points[-1],
        speech_current_a=0.0401,
        current_basis=Basis.MEASURED,
    )
    point_alter(
        factories.change(drift.site, happened_on=TODAY), point=drift.points[-1], speech_current_a=0.0402
    )
    last = line(drift, "supply_current", drift.supply.pk).entries[-1]
    assert "from 2.0801 A to 2.0802 A" in last.sentence
