"""What a change does, from the figures before and after: a supply of 2 A (limit 0.8 × 2 = 1.60 A) that
feeds 27 wall speakers at 0.05 A (1.35 A), all measured."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

from django.db import transaction

from sites.models import DeviceModel, SupplyFacts
from tests.zones.findings.conftest import ADDED, Quay
from tests.zones.recording import device_model
from zones.electrical.estimates import Estimate, Estimates
from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Verdict
from zones.limits.registry import limit_by_code
from zones.loads.site_loads import Load
from zones.loads.wording import RenderedLoad, difference_in_words
from zones.planning.effects import Difference, Effect, SiteFigures, difference_between, effect_of
from zones.subjects import Places


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


def figures_of(**of: tuple[Verdict, float]) -> SiteFigures:
    """Figures in percent of a limit of 100, by code: verdict and likely estimate."""
    found = {}
    for code, (verdict, value) in of.items():
        estimates = Estimates(*[Estimate(value, 100.0)] * 3)
        left = (100.0 - value) / 100.0
        load = Load(code, SubjectKind.SUPPLY, 1, estimates, verdict, left, left, None)
        found[code, load.subject] = RenderedLoad(
            load, limit_by_code("supply_current"), "supply S1", Places("", "", "")
        )
    return SiteFigures(ADDED, found, ())


def test_what_crosses_comes_first_then_what_clears_then_what_worsens_the_worst_first() -> None:
    past, near, within = Verdict.PAST, Verdict.NEAR, Verdict.WITHIN
    before = figures_of(
        better=(near, 97.0), better_past=(past, 130.0), worse=(within, 50.0), worse_near=(near, 95.0),
        cleared=(past, 120.0), crossing=(near, 95.0),
    )  # fmt: skip
    after = figures_of(
        better=(near, 96.0), better_past=(past, 125.0), worse=(within, 60.0), worse_near=(near, 98.0),
        cleared=(within, 50.0), crossing=(past, 110.0),
    )  # fmt: skip
    effect = difference_between(before, after, done=True)
    assert [one.code for one in effect.differences] == [
        "crossing", "cleared", "worse_near", "worse", "better_past", "better",
    ]  # fmt: skip


def test_what_differs_in_the_last_bits_is_no_difference_and_no_worse() -> None:
    """A sum put together in another order: 95 and 95 × (1 ± 1e-12)."""
    near = Verdict.NEAR
    before, after = figures_of(a=(near, 95.0)), figures_of(a=(near, 95.0 * (1 + 1e-12)))
    assert difference_between(before, after, done=True).differences == ()
    ((_, one),) = before.figures.items()
    ((_, other),) = after.figures.items()
    assert not Difference("a", one.load.subject, one, other).worsens
    assert difference_between(before, figures_of(a=(near, 95.1)), done=True).differences[0].worsens


def test_faults_are_said_without_a_limit_of_none() -> None:
    def clips_out(rows: float, verdict: Verdict) -> RenderedLoad:
        estimates = Estimates(*[Estimate(rows, 0.0)] * 3)
        load = Load("clip_out", SubjectKind.BLOCK, 1, estimates, verdict, None, None, None)
        return RenderedLoad(load, limit_by_code("clip_out"), "block B", Places("", "", ""))

    none, two, four = clips_out(0, Verdict.WITHIN), clips_out(2, Verdict.PAST), clips_out(4, Verdict.PAST)
    assert difference_in_words(none, two) == f"{two.sentence} Past; before within."
    assert difference_in_words(two, four) == f"{four.sentence} Past; before 2 rows."
    assert difference_in_words(two, none) == "Clip left out, block B: no. Within; before past."
    assert difference_in_words(None, two) == f"{two.sentence} Past."
