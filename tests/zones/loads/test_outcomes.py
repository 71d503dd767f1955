"""What a test came to, before its site is rechecked and after."""

from __future__ import annotations

from typing import Any

import pytest

from tests import factories
from tests.factories import BUILT_ON
from tests.halls import Hall
from zones.loads.outcomes import Outcome, Verdict, outcomes_of
from zones.models import Expected, Test
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
    assert outcome(first) == Outcome(None)
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
    with django_assert_num_queries(1):
        assert outcomes_of(rows) == [Outcome(None), Outcome(None)]
