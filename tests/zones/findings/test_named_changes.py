"""Named changes and attributions: what each derives from its change sets, and that storing keeps them."""

from __future__ import annotations

import dataclasses
import datetime as dt
from typing import Any

import pytest

from zones.electrical.estimates import Estimate
from zones.findings.baselines import Since
from zones.findings.changes_at_step import ChangeAtStep, Reference
from zones.findings.named_changes import Attribution, Cause, NamedChange, rounded
from zones.plant.change_sets import ChangeSetInfo

DAY = dt.date(2026, 3, 1)
ADDED = ChangeAtStep("device_added", thing=Reference("point", 5))
LONGER = ChangeAtStep("segment_length", thing=Reference("point", 6))


def info(id_: int, *, quiet: bool = False) -> ChangeSetInfo:
    recorded_at = dt.datetime(2026, 3, 2, tzinfo=dt.UTC)
    return ChangeSetInfo(
        id_, 1, id_, "work", "record", "rest", quiet, "Ada Quill", "", "why", "J-1", DAY, recorded_at
    )


WORK, LATER, IMPORT = info(7), info(9), info(8, quiet=True)


def named(*changes: ChangeAtStep, **said: Any) -> NamedChange:
    values: dict[str, Any] = {"day": DAY, "as_found": False, "change_set": WORK, "correction": None} | said
    return NamedChange(**values, changes=changes, before=Estimate(1.2, 1.6), after=Estimate(1.7, 1.5))


def attribution(change: NamedChange, **said: Any) -> Attribution:
    values: dict[str, Any] = {
        "since": None,
        "until": None,
        "possible": False,
        "found": Since.FIRST_DAY,
    } | said
    return Attribution(named=change, baseline=Estimate(0.4, 1.6), baseline_day=DAY, **values)


@pytest.mark.parametrize(
    ("change", "cause"),
    [
        (named(ADDED), Cause.ADDITION),
        (named(LONGER), Cause.ALTERATION),
        (named(ADDED, LONGER), Cause.ADDITION),
        (named(), Cause.ALTERATION),
        (named(ADDED, change_set=None), Cause.ADDITION),
        (named(change_set=None), Cause.UNKNOWN),
        (named(ADDED, correction=LATER), Cause.CORRECTION),
        (named(ADDED, as_found=True, correction=LATER), Cause.AS_FOUND),
    ],
)
def test_its_cause(change: NamedChange, cause: Cause) -> None:
    assert change.cause is cause


@pytest.mark.parametrize(
    ("said", "causing", "is_revised"),
    [
        ({}, WORK, False),
        ({"correction": LATER}, LATER, True),
        ({"change_set": LATER, "correction": LATER}, LATER, False),
        ({"change_set": None, "correction": LATER}, LATER, False),
        ({"change_set": None}, None, False),
    ],
)
def test_a_correction_stands_before_the_work_that_it_rewrote(
    said: dict[str, Any], causing: ChangeSetInfo | None, is_revised: bool
) -> None:
    change = named(**said)
    assert (change.causing, change.is_revised) == (causing, is_revised)


@pytest.mark.parametrize(
    ("said", "quiet"),
    [
        ({"change_set": IMPORT}, True),
        ({"change_set": IMPORT, "correction": LATER}, False),
        ({"correction": IMPORT}, True),
        ({}, False),
        ({"change_set": None}, False),
    ],
)
def test_it_is_quiet_where_what_caused_it_is(said: dict[str, Any], quiet: bool) -> None:
    assert attribution(named(**said)).quiet is quiet


def test_it_is_stored_with_the_causing_change_set_first_and_comes_back_the_same() -> None:
    since, until = named(change_set=info(3)), named(LONGER, change_set=info(4), correction=WORK)
    whole = attribution(named(ADDED, correction=LATER), since=since, until=until, possible=True)
    record = whole.as_record()
    assert record["change_sets"] == [9, 7, 3, 4]
    known = {one.id: one for one in (WORK, LATER, info(3), info(4))}
    assert Attribution.of_record(record, known) == whole
    found = dataclasses.replace(whole, named=named(as_found=True), since=None, until=None, found=Since.SURVEY)
    assert Attribution.of_record(found.as_record(), known) == found


def test_every_change_that_it_names_is_rendered() -> None:
    since, until = named(LONGER), named(ChangeAtStep("run_supply", thing=Reference("run", 2)))
    whole = attribution(named(ADDED), since=since, until=until)
    assert list(whole.references()) == [Reference("point", 5), Reference("point", 6), Reference("run", 2)]


@pytest.mark.parametrize(
    ("value", "stored"), [(1.23456789012, 1.23456789), (float("nan"), None), (None, None)]
)
def test_a_figure_is_stored_with_nine_digits(value: float | None, stored: float | None) -> None:
    assert rounded(value) == stored
