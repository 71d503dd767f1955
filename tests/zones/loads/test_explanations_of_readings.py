"""Worked calculations of values that a reading scales, and of readings."""

from __future__ import annotations

import pytest

from sites.models import Basis
from tests import factories
from tests.halls import Hall
from zones.models import PointFacts, Test
from zones.services.tests import record_test

from .explained import amounts, of

pytestmark = pytest.mark.django_db
BUILT = factories.BUILT_ON


def test_a_value_scaled_to_a_reading_is_shown_as_such(hall: Hall) -> None:
    record_test(
        factories.change(hall.site), kind=Test.Kind.RUN_CURRENT, state=Test.State.PAGING, value=0.5,
        taken_on=BUILT, run=hall.gangway_run,
    )  # fmt: skip
    for point in hall.gangway_run.points.all():
        facts = PointFacts.objects.filter(point=point).latest("step")
        assert facts.current_basis == Basis.MEASURED
    guessed = factories.make_run(
        hall.block,
        zone=hall.gangway,
        name="R3",
        supply=hall.supply,
        output=hall.gateway.outputs.get(number=2),
    )
    factories.make_points(guessed, 4, hall.speaker, current_basis=Basis.GUESSED)
    record_test(
        factories.change(hall.site), kind=Test.Kind.RUN_CURRENT, state=Test.State.PAGING, value=0.2,
        taken_on=BUILT, run=guessed,
    )  # fmt: skip
    _, worked = of(hall, "supply_current", hall.supply.pk)
    known = {row["run"]: row["known"] for row in worked.tables[0].rows}
    assert known == {
        "run R1": "measured, from its model",
        "run R2": "measured, from its model",
        "run R3": "scaled to a reading",
    }


def test_a_reading_is_shown_with_the_range_that_it_is_held_against(hall: Hall) -> None:
    record_test(
        factories.change(hall.site), kind=Test.Kind.RUN_CURRENT, state=Test.State.PAGING, value=1.5,
        taken_on=BUILT, run=hall.run, instrument_error=0.02,
    )  # fmt: skip
    load, worked = of(hall, "reading_disagrees", hall.run.pk)
    # thirty speakers of 40 mA, measured: 1.2 A ± 5 %; the reading ± 0.03 A
    found = amounts(worked)
    assert (found["range"].low, found["range"].high) == pytest.approx((1.14, 1.26))
    assert found["error of the reading"].likely == pytest.approx(0.03)
    assert found["error of the reading"].known == "stated by the instrument"
    assert found["excess"].likely == load.likely == pytest.approx(1.5 - 0.03 - 1.26)
    assert "1.11 A to 1.29 A" in worked.steps[0].text


def test_a_reading_that_is_used_is_shown_with_its_factor_and_what_it_leaves(hall: Hall) -> None:
    guessed = factories.make_run(
        hall.block, zone=hall.gangway, name="R3", supply=hall.supply,
        output=hall.gateway.outputs.get(number=2),
    )  # fmt: skip
    factories.make_points(guessed, 4, hall.speaker, current_basis=Basis.GUESSED)
    record_test(
        factories.change(hall.site), kind=Test.Kind.RUN_CURRENT, state=Test.State.PAGING, value=0.2,
        taken_on=BUILT, run=guessed,
    )  # fmt: skip
    load, worked = of(hall, "reading_disagrees", guessed.pk)
    found = amounts(worked)
    assert load.likely == 0.0
    assert found["factor"].likely == pytest.approx(0.2 / 0.16)
    assert found["error of scaled values"].likely == pytest.approx(0.1)
