"""What a test came to: what it should have read, and whether it did."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from django.db import models

from sites.fields import Ids
from zones.electrical.calibration import Anchoring, anchor
from zones.electrical.point_loads import point_loads
from zones.models import Expected, Test
from zones.plant.selectors import read_plant
from zones.recheck.expected import rounded


class Verdict(models.TextChoices):
    """Verdict of a test."""

    PASSED = "passed", "passed"
    FAILED = "failed", "failed"
    AS_EXPECTED = "as_expected", "as expected"
    OUTSIDE = "outside", "outside what is expected"
    CANNOT_JUDGE = "cannot_judge", "cannot be judged"


@dataclass(frozen=True)
class Outcome:
    """``verdict``: None: not compared, since another test took its place or the site waits for its recheck.
    ``expected``: None: nothing is, or the network has no solution on the record. ``error``: what the
    instrument may be off by; ``outside_by``: how far the value lies outside low and high, give or take that.
    In the unit of the test. ``superseded_by_id``: the test that took its place."""

    verdict: Verdict | None
    expected: Expected | None = None
    error: float | None = None
    outside_by: float | None = None
    superseded_by_id: int | None = None


def outcomes_of(tests: Sequence[Test]) -> list[Outcome]:
    """The outcome of each test. It reads what the last recheck stored. Where the recheck has not got to the
    tests yet and all are of one site, as in the answer to a POST, it computes their site now."""
    if not tests:
        return []
    newer = Test.objects.filter(supersedes__among=Ids(test.pk for test in tests))
    superseded = dict(newer.order_by().values_list("supersedes_id", "pk"))
    compared = {test.pk for test in tests if test.kind_of_test.reading is not None}
    stored: dict[int, Expected] = {
        one.test_id: one for one in Expected.objects.filter(test__among=Ids(compared))
    }
    current = {test.pk: test.site_id for test in tests if test.pk not in superseded}
    waiting = {pk: current[pk] for pk in compared - stored.keys() if pk in current}
    if len(set(waiting.values())) == 1:
        stored |= _computed(next(iter(waiting.values())))
    return [
        replace(_outcome(test, stored.get(test.pk)), superseded_by_id=superseded.get(test.pk))
        for test in tests
    ]


def _outcome(test: Test, expected: Expected | None) -> Outcome:
    kind = test.kind_of_test
    if kind.measured is None or kind.measured.passes_from is not None:
        return Outcome(Verdict.FAILED if test.has_failed else Verdict.PASSED)
    if kind.reading is None:
        return Outcome(Verdict.CANNOT_JUDGE)
    if expected is None:
        return Outcome(None)
    if expected.outside is None:
        return Outcome(Verdict.CANNOT_JUDGE, error=expected.error)
    return Outcome(
        Verdict.OUTSIDE if expected.outside > 0 else Verdict.AS_EXPECTED,
        expected=expected if expected.is_whole else None,
        error=expected.error,
        outside_by=expected.outside,
    )


def _computed(site_id: int) -> Mapping[int, Expected]:
    """What the next recheck of a site will store."""
    plant = read_plant([site_id])
    found: Anchoring = anchor(plant, point_loads(plant))
    columns = [*rounded(found.expected), rounded(found.error), rounded(found.excess)]
    rows = zip(found.readings.reading_id.tolist(), *(column.tolist() for column in columns), strict=True)
    return {
        test_id: Expected(test_id=test_id, low=_known(low), likely=_known(likely), high=_known(high),
                          error=error, outside=_known(outside))
        for test_id, low, likely, high, error, outside in rows
    }  # fmt: skip


def _known(value: float) -> float | None:
    return value if value == value else None
