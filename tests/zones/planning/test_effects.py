"""What a change does, told from the figures before and after: a supply of 2 A (limit 0.8 × 2 = 1.60 A) that
feeds 27 wall speakers at 0.05 A (1.35 A), all measured."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

from django.db import transaction

from sites.models import DeviceModel, SupplyFacts
from tests.zones.findings.conftest import ADDED, Quay
from tests.zones.recording import device_model
from zones.electrical.verdicts import Verdict
from zones.planning.effects import Difference, Effect, effect_of


def told(quay: Quay, change: Callable[[], object], day: dt.date | None = None) -> Effect:
    with transaction.atomic(), effect_of(quay.site_id, day) as effect:
        change()
        return effect()


def of_supply(effect: Effect) -> Difference:
    (found,) = [one for one in effect.differences if one.code == "supply_current"]
    return found


def test_what_was_past_already_gets_worse_and_crosses_nothing(db: None) -> None:
    quay = Quay()
    quay.add(12)  # 1.83 A
    effect = told(quay, lambda: quay.add(1))  # 1.87 A
    one = of_supply(effect)
    assert (one.verdict_before, one.verdict_after) == (Verdict.PAST, Verdict.PAST)
    assert (one.crosses, one.clears, one.worsens) == (False, False, True)
    assert not effect.crosses


def test_what_comes_within_its_limit_clears(db: None) -> None:
    quay = Quay()
    _, points = quay.add(12)  # 1.83 A
    one = of_supply(told(quay, lambda: quay.remove(points, ADDED + dt.timedelta(days=1))))  # 1.35 A
    assert (one.crosses, one.clears, one.worsens) == (False, True, False)


def test_what_could_not_be_told_and_now_is_in_order_clears(db: None) -> None:
    """Speakers as marked, ± 15 %: high 1.05 × 1.35 + 1.15 × 0.20 = 1.65 A, likely 1.55 A."""
    quay = Quay()
    _, points = quay.add(5, basis=3)
    effect = told(quay, lambda: quay.remove(points, ADDED + dt.timedelta(days=1)))
    one = of_supply(effect)
    assert (one.verdict_before, one.clears) == (Verdict.CANNOT_TELL, True)


def test_a_change_of_an_earlier_day_is_told_as_of_today(db: None) -> None:
    """12 were added and taken off again: adding one on the day between does not cross the limit of today."""
    quay = Quay()
    _, points = quay.add(12)
    quay.remove(points, ADDED + dt.timedelta(days=2))
    day = ADDED + dt.timedelta(days=1)
    effect = told(quay, lambda: quay.add(1, day), day)
    assert effect.as_of > day
    assert of_supply(effect).crosses is False


def test_a_limit_that_was_not_recorded_is_no_better_than_one_that_cannot_be_told(db: None) -> None:
    """27 × 0.05 = 1.35 A ± 5 %, high 1.4175 A: of an unknown rating, then of 1.75 A, limit 1.40 A."""
    quay = Quay()
    unknown, known = (
        device_model("supply", no_load_voltage_v=24.0, class_2_marked=True, rated_current_a=rated)
        for rated in (None, 1.75)
    )

    def fit(model: DeviceModel, day: dt.date) -> None:
        with quay.record.change(day):
            quay.record.make(SupplyFacts, supply=quay.supply, model=model)

    fit(unknown, ADDED)
    one = of_supply(told(quay, lambda: fit(known, ADDED + dt.timedelta(days=1))))
    assert (one.verdict_before, one.verdict_after) == (Verdict.CANNOT_TELL, Verdict.CANNOT_TELL)
    assert one.worsens is False
