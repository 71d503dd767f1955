"""Events of tests that failed, or that read outside what the record predicts: one for each such test, so that
the ticketing system need not ask. A test that passes or fails by itself gets its event when its change set is
accepted; one that is compared with the record, from the first recheck that compares it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Sequence
from typing import Any

from sites.models import Contract, Event, Site
from sites.models.changes import ChangeSet
from sites.outbox.services import events_write
from sites.wording import capital
from zones.limits.amounts import amount
from zones.models import Test
from zones.recheck.checked import Checked
from zones.subjects import Key, Named, look_up

from .cases import fields_of
from .event_kinds import EventKind
from .event_payloads import change_set_body, contracts_on

_TEST = (
    "id", "kind", "state", "signal", "value", "unit", "passed", "taken_on", "taken_at", "taken_as",
    "technician", "instrument", "calibration_lapsed", "note",
)  # fmt: skip
_AT = ("run", "point", "zone", "switch")


def failed_tests(change_set: ChangeSet, site: Site, contract: Contract, at: dt.datetime) -> list[Event]:
    """The events, not written yet, of an accepted change set's tests that failed by themselves."""
    if not any(str(one.get("op", "")).startswith("test.") for one in change_set.operations):
        return []
    failed = [test for test in Test.objects.filter(change_set=change_set) if test.has_failed]
    return _events(failed, {site.pk: site}, {site.pk: contract}, at)


def tests_checked(checked: Checked, *, silent: Collection[int]) -> None:
    """Write the events of tests that this recheck compared first, and found outside. silent: sites without
    events this time."""
    if not checked.newly_outside:
        return
    contracts = contracts_on(dict(zip(checked.site_id, checked.as_of, strict=True)))
    tests = [
        test
        for test in Test.objects.filter(pk__in=checked.newly_outside, change_set__quiet=False)
        .select_related("change_set", "expected")
        .order_by("id")
        if test.site_id in contracts and test.site_id not in silent
    ]
    if tests:
        sites = Site.objects.select_related("customer").in_bulk({test.site_id for test in tests})
        events_write(_events(tests, sites, contracts, checked.now))


def _events(
    tests: Sequence[Test], sites: dict[int, Site], contracts: dict[int, Contract], at: dt.datetime
) -> list[Event]:
    names = look_up(_places(tests))
    return [
        Event(
            kind=EventKind.TEST_OUTSIDE,
            customer_id=sites[test.site_id].customer_id,
            site_id=test.site_id,
            body=_body(test, sites[test.site_id], contracts[test.site_id], names),
            subject=f"tests/{test.pk}",
            happened_at=at,
        )
        for test in tests
    ]


def _places(tests: Iterable[Test]) -> set[Key]:
    return {
        (word, getattr(test, f"{word}_id"))
        for test in tests
        for word in _AT
        if getattr(test, f"{word}_id") is not None
    }


def _body(test: Test, site: Site, contract: Contract, names: dict[Key, Named]) -> dict[str, Any]:
    expected = getattr(test, "expected", None)
    places = {
        word: None
        if (pk := getattr(test, f"{word}_id")) is None
        else {"id": pk, "name": names[word, pk].name}
        for word in _AT
    }
    return {
        **change_set_body(test.change_set, site, contract),
        "test": fields_of(test, _TEST) | places | {"power_group": test.power_group},
        "verdict": "failed" if expected is None else "outside",
        "expected": fields_of(expected, ("low", "likely", "high"))
        if expected and expected.is_whole
        else None,
        "error": None if expected is None else expected.error,
        "outside_by": None if expected is None else expected.outside,
        "sentence": _sentence(test, expected, [one["name"] for one in places.values() if one is not None]),
        "link": f"/api/v1/tests/{test.pk}",
    }


def _sentence(test: Test, expected: Any, places: Sequence[str]) -> str:
    """``Run current at the block, run R1: 1.30 A on 2026-03-14; expected
    1.01 A to 1.14 A, 0.11 A outside.``"""
    what = ", ".join([capital(Test.Kind(test.kind).label), *places])
    unit = test.unit
    if unit is None or test.value is None:
        return f"{what}: failed on {test.taken_on}."
    said = f"{what}: {amount(test.value, unit)} on {test.taken_on}"
    if expected is None:
        return f"{said}, which fails."
    if not expected.is_whole:
        return f"{said}; on the record the run has no stable voltage, so it would read nothing."
    low, high, outside = (amount(one, unit) for one in (expected.low, expected.high, expected.outside))
    return f"{said}; expected {low} to {high}, {outside} outside."
