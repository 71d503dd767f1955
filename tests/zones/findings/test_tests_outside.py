"""Events of tests that failed, or read otherwise than the record says: once, and under contract only."""

from __future__ import annotations

from typing import Any

import pytest

from sites.models import Event, Site
from tests import factories
from tests.zones.findings.conftest import ADDED, NOW, Quay
from tests.zones.recording import device_model
from zones.loads.outcomes import Verdict, outcomes_of
from zones.models import Expected, SiteCheck, Test
from zones.services.tests import record_test, supersede_test

CURRENT: dict[str, Any] = {
    "kind": Test.Kind.RUN_CURRENT,
    "state": Test.State.PAGING,
    "instrument_error": 0.02,
}


def taken(quay: Quay, **said: Any) -> Test:
    change = factories.change(Site.objects.get(pk=quay.site_id), happened_on=ADDED, **said.pop("why", {}))
    return record_test(change, **{"taken_on": ADDED, "run": quay.run, **said}).result


def told(quay: Quay) -> list[Event]:
    return list(Event.objects.filter(site_id=quay.site_id, kind="test.outside").order_by("id"))


def test_a_current_that_the_record_does_not_explain(quay: Quay) -> None:
    """27 speakers of 50 mA, measured: 1.35 A ± 5 %, so 1.2825 to 1.4175 A. 1.80 A ± 2 %: at least 1.764 A."""
    test = taken(quay, **CURRENT, value=1.8, technician="Ida Lark", instrument="clamp 3")
    assert told(quay) == []
    quay.check()
    (event,) = told(quay)
    assert event.subject == f"tests/{test.pk}"
    body = event.body
    assert body["verdict"] == "outside"
    assert body["expected"] == pytest.approx({"low": 1.2825, "likely": 1.35, "high": 1.4175}, rel=1e-6)
    assert body["error"] == pytest.approx(0.036)
    assert body["outside_by"] == pytest.approx(1.764 - 1.4175)
    assert body["sentence"] == (
        "Run current at the block, run R1: 1.80 A on 2026-05-04; expected 1.28 A to 1.42 A, 0.35 A outside."
    )
    assert (body["test"]["run"], body["test"]["technician"], body["test"]["unit"]) == (
        {"id": quay.run.pk, "name": "run R1"}, "Ida Lark", "A",
    )  # fmt: skip
    assert body["link"] == f"/api/v1/tests/{test.pk}"


def test_it_is_told_once(quay: Quay) -> None:
    first = taken(quay, **CURRENT, value=1.8)
    quay.check()
    quay.add(1)
    quay.check()
    assert len(told(quay)) == 1
    # Another reading is another test
    change = factories.change(Site.objects.get(pk=quay.site_id), happened_on=ADDED)
    second = supersede_test(change, test=first, value=1.9).result
    quay.check()
    assert [event.subject for event in told(quay)] == [f"tests/{first.pk}", f"tests/{second.pk}"]


def test_one_as_expected_is_not_told(quay: Quay) -> None:
    taken(quay, **CURRENT, value=1.4)
    taken(quay, kind=Test.Kind.CONTINUITY, passed=True)
    taken(quay, kind=Test.Kind.INSULATION, value=5e6, electronics_disconnected=True)
    quay.check()
    assert told(quay) == []


@pytest.mark.parametrize(
    ("said", "sentence"),
    [
        ({"kind": Test.Kind.POLARITY, "passed": False}, "Polarity, run R1: failed on 2026-05-04."),
        (
            {"kind": Test.Kind.INSULATION, "value": 2e4, "electronics_disconnected": True},
            "Insulation resistance, run R1: 20000 Ω on 2026-05-04, which fails.",
        ),
    ],
    ids=["polarity", "insulation"],
)
def test_one_that_fails_by_itself_is_told_at_once(quay: Quay, said: dict[str, Any], sentence: str) -> None:
    test = taken(quay, **said)
    (event,) = told(quay)
    assert (event.subject, event.body["verdict"], event.body["expected"]) == (
        f"tests/{test.pk}",
        "failed",
        None,
    )
    assert event.body["sentence"] == sentence
    quay.check()
    assert len(told(quay)) == 1


def test_nobody_is_told_without_a_contract_nor_of_a_quiet_import(db: None, quay: Quay) -> None:
    uncovered = Quay()
    taken(uncovered, **CURRENT, value=1.8)
    taken(uncovered, kind=Test.Kind.POLARITY, passed=False)
    uncovered.check()
    quiet = {"why": {"quiet": True}}
    taken(quay, **CURRENT, value=1.8, **quiet)
    taken(quay, kind=Test.Kind.POLARITY, passed=False, **quiet)
    quay.check()
    assert told(uncovered) == told(quay) == []


def test_what_a_new_formula_expects_is_not_told(quay: Quay) -> None:
    """A release that begins to compare a kind of test makes no events of old tests."""
    taken(quay, **CURRENT, value=1.8)
    quay.check()
    Event.objects.filter(kind="test.outside").delete()
    Expected.objects.all().delete()
    SiteCheck.objects.update(solver_version=2)
    quay.check(NOW)
    assert told(quay) == []


def test_a_run_that_has_no_stable_voltage_on_the_record(quay: Quay) -> None:
    """3 km of 22 AWG, out and back, have more than 300 Ω: 24² / (4 × 300) = 0.48 W is the most.
    A horn of 30 W has no solution there, so all that was read lies outside."""
    horn = device_model("horn", full_output_power_w=30.0, idle_power_w=5.0)
    facts = quay.facts | {"model": horn, "length_m": 3000.0}
    with quay.record.change(ADDED):
        quay.record.point(quay.run, "far", 90, parent=quay.points[-1], **facts)
    test = taken(quay, **CURRENT, value=1.8)
    quay.check()
    (event,) = told(quay)
    assert (event.body["expected"], event.body["verdict"]) == (None, "outside")
    assert event.body["outside_by"] == pytest.approx(1.8 - 0.036)
    assert event.body["sentence"].endswith("the run has no stable voltage, so it would read nothing.")
    (found,) = outcomes_of([Test.objects.get(pk=test.pk)])
    assert (found.verdict, found.expected) == (Verdict.OUTSIDE, None)
