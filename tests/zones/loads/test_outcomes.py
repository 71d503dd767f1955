"""What a test came to, before its site is rechecked and after."""

from __future__ import annotations

import math
from typing import Any

import pytest

from sites.models import Basis
from tests import factories
from tests.factories import BUILT_ON
from tests.halls import Hall
from zones.loads.outcomes import Outcome, Verdict, outcomes_of
from zones.models import Expected, Run, Test
from zones.models.test_kinds import KINDS
from zones.recheck.batch import check
from zones.services.points import point_correct
from zones.services.tests import record_test, supersede_test

pytestmark = pytest.mark.django_db
Kind = Test.Kind
READ: dict[str, Any] = {"kind": Kind.RUN_CURRENT, "state": Test.State.PAGING}


def taken(hall: Hall, **said: Any) -> Test:
    values: dict[str, Any] = {"taken_on": BUILT_ON, "run": hall.run, **said}
    return record_test(factories.change(hall.site), **values).result


def outcome(test: Test) -> Outcome:
    (found,) = outcomes_of([Test.objects.get(pk=test.pk)])
    return found


@pytest.mark.parametrize("rechecked", [False, True])
def test_a_current_within_what_is_expected(hall: Hall, *, rechecked: bool) -> None:
    """Thirty speakers of 40 mA, measured: 1.2 A ± 5 %. 1.30 A at speech, give or take 10 %, may be 1.17 A."""
    test = taken(hall, **READ, value=1.30)
    if rechecked:
        check([hall.site.pk])
    found = outcome(test)
    assert Expected.objects.filter(pk=test.pk).exists() is rechecked
    assert found.verdict == Verdict.AS_EXPECTED
    assert found.expected is not None
    expected = (found.expected.low, found.expected.likely, found.expected.high)
    assert expected == pytest.approx((1.14, 1.2, 1.26))
    assert found.error == pytest.approx(0.13)
    assert found.outside_by == 0.0


@pytest.mark.parametrize("rechecked", [False, True])
def test_a_current_outside_by_so_much(hall: Hall, *, rechecked: bool) -> None:
    test = taken(hall, **READ, value=1.5, instrument_error=0.02)
    if rechecked:
        check([hall.site.pk])
    found = outcome(test)
    assert found.verdict == Verdict.OUTSIDE
    assert found.outside_by == pytest.approx(1.5 - 0.03 - 1.26)


def test_what_is_expected_follows_a_correction_of_the_record(hall: Hall) -> None:
    """The speakers draw 20 mA, not 40: at the next recheck 1.2 A is outside by 1.2 × 0.9 − 0.63 A."""
    test = taken(hall, **READ, value=1.2)
    check([hall.site.pk])
    assert outcome(test).verdict == Verdict.AS_EXPECTED
    for point in hall.run.points.all():
        point_correct(factories.change(hall.site), point=point, speech_current_a=0.02)
    check([hall.site.pk])
    assert outcome(test).outside_by == pytest.approx(1.2 * 0.9 - 30 * 0.02 * 1.05)


def test_a_test_whose_place_another_took_is_compared_no_more(hall: Hall) -> None:
    first = taken(hall, **READ, value=1.5)
    check([hall.site.pk])
    second = supersede_test(factories.change(hall.site), test=first, value=1.21).result
    check([hall.site.pk])
    assert not Expected.objects.filter(pk=first.pk).exists()
    assert outcome(first) == Outcome(None, superseded_by_id=second.pk)
    assert outcome(second).verdict == Verdict.AS_EXPECTED


@pytest.mark.parametrize(
    ("kind", "said", "verdict"),
    [
        (Kind.CONTINUITY, {"passed": True}, Verdict.PASSED),
        (Kind.SHORTS, {"passed": False}, Verdict.FAILED),
        (Kind.INSULATION, {"value": 1e6, "electronics_disconnected": True}, Verdict.PASSED),
        (Kind.INSULATION, {"value": 0.99e6, "electronics_disconnected": True}, Verdict.FAILED),
        (Kind.LINE_IMPEDANCE, {"value": 500.0}, Verdict.CANNOT_JUDGE),
    ],
    ids=["passed", "failed", "a megohm", "less", "no line"],
)
def test_what_passes_fails_or_cannot_be_judged(
    hall: Hall, kind: Test.Kind, said: dict[str, Any], verdict: Verdict
) -> None:
    """Insulation passes from 1 MΩ on: common practice, no source. A self-amplified run is not a line."""
    found = outcome(taken(hall, kind=kind, **said))
    assert (found.verdict, found.expected) == (verdict, None)


def test_for_a_test_whose_place_another_took_no_site_is_read(
    hall: Hall, django_assert_num_queries: Any
) -> None:
    first = taken(hall, **READ, value=1.5)
    second = supersede_test(factories.change(hall.site), test=first, value=1.21).result
    rows = list(Test.objects.filter(pk=first.pk))
    with django_assert_num_queries(2):
        assert outcomes_of(rows) == [Outcome(None, superseded_by_id=second.pk)]


PAIR_OHM_PER_M = 2 * 25.67 / 304.8
"""Loop resistance of a pair of 24 AWG (ASTM B258, printed)."""
EXPECTED: dict[Test.Kind, float | None] = {
    # 30 inputs of 47 kΩ behind the output's 100 Ω, and behind 1 m each, 30 + 29 + … + 1 of them
    Kind.LEVEL: -20 * math.log10(1 + (100 * 30 + 465 * PAIR_OHM_PER_M) / 47_000),
    # 24.0 V at the block, less 40 mA a speaker over 1 m each, 30 + 29 + … + 1 of them, on three pairs
    Kind.END_VOLTAGE: 24.0 - 465 * 0.04 * PAIR_OHM_PER_M / 3,
    Kind.RUN_CURRENT: 30 * 0.04,
    Kind.LOOP_RESISTANCE: 30 * PAIR_OHM_PER_M,
    # two taps of 5 W at 70.7 V, 50 m apart, 999.7 Ω each
    Kind.LINE_IMPEDANCE: 50 * PAIR_OHM_PER_M + 1 / (5 / 70.7**2 + 1 / (50 * PAIR_OHM_PER_M + 70.7**2 / 5)),
    # passes or fails by itself
    **dict.fromkeys((Kind.CONTINUITY, Kind.SHORTS, Kind.POLARITY, Kind.TONE_TRACE, Kind.LISTENING)),
    Kind.INSULATION: None,
    # the record says what ports are allocated, and no group of supplies
    Kind.POE_POWER: None,
}


OUTSIDE = dict.fromkeys(Kind, 0.0) | {Kind.LEVEL: 1.0}
"""What is taken off beside, so that half of it is outside: 0.27 dB are within the error of an instrument."""


@pytest.mark.parametrize("kind", list(Kind))
def test_each_kind_has_the_outcome_that_is_worked_by_hand(hall: Hall, kind: Test.Kind) -> None:
    """What is expected and read is as expected, and half of it is outside; all else passes, fails, or cannot
    be judged."""
    entry, likely = KINDS[kind], EXPECTED[kind]
    subject: dict[str, Any] = {"run": hall.run}
    if kind is Kind.LINE_IMPEDANCE:
        amplifier = factories.make_amplifier(hall.closet)
        line = factories.make_run(hall.block, kind=Run.Kind.CONSTANT_VOLTAGE, amplifier=amplifier)
        taps: dict[str, Any] = {
            "tap_power_w": 5.0,
            "tap_basis": Basis.MEASURED,
            "cable_type": factories.make_cable(),
        }
        factories.make_points(line, 2, length_m=50.0, dc_pairs=1, **taps)
        subject = {"run": line}
    if kind is Kind.POE_POWER:
        subject = {"run": None, "switch": hall.switch}
    if entry.subjects == (frozenset({"run", "point"}),):
        subject["point"] = hall.points[-1]
    if entry.states:
        subject["state"] = Test.State.PAGING
    if kind is Kind.END_VOLTAGE:
        subject["source_voltage_v"] = 24.0
    if kind in (Kind.END_VOLTAGE, Kind.LOOP_RESISTANCE, Kind.LINE_IMPEDANCE):
        subject["temperature_c"] = 20.0
    if kind is Kind.INSULATION:
        subject["electronics_disconnected"] = True

    def came_to(**said: Any) -> Outcome:
        return outcome(taken(hall, kind=kind, **subject, **said))

    if likely is not None:
        found = came_to(value=likely)
        assert found.expected is not None
        assert found.expected.likely == pytest.approx(likely, rel=2e-3)
        assert (found.verdict, found.outside_by) == (Verdict.AS_EXPECTED, 0.0)
        assert came_to(value=likely / 2 - OUTSIDE[kind]).verdict == Verdict.OUTSIDE
    elif kind is Kind.POE_POWER:
        assert came_to(value=40.0).verdict == Verdict.CANNOT_JUDGE
    elif kind is Kind.INSULATION:
        assert came_to(value=1e6).verdict == Verdict.PASSED
        assert came_to(value=1e6 - 1).verdict == Verdict.FAILED
    else:
        assert came_to(passed=True).verdict == Verdict.PASSED
        assert came_to(passed=False).verdict == Verdict.FAILED


def test_a_page_of_tests_of_several_sites_waits_for_their_rechecks(
    hall: Hall, django_assert_num_queries: Any
) -> None:
    """Nobody's list reads the plants of all sites on it."""
    test = taken(hall, **READ, value=1.2)
    other = factories.make_run(factories.make_block(factories.make_closet(factories.make_site())))
    factories.make_points(other, 1)
    elsewhere = record_test(
        factories.change(other.site), **READ, run=other, value=0.1, taken_on=BUILT_ON
    ).result
    rows = list(Test.objects.filter(pk__in=[test.pk, elsewhere.pk]).prefetch_related("superseded_by"))
    with django_assert_num_queries(2):
        assert outcomes_of(rows) == [Outcome(None), Outcome(None)]
