"""The commissioning record of a zone: who proved which of its runs, when, with which instrument, and what
each test should have read."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from django.db.models import Q

from sites.changes.steps import first_step_after
from zones.loads.outcomes import Outcome, outcomes_of
from zones.loads.proofs import ProofOfRun, TestOfProof, proofs_of
from zones.models import Run, RunFacts, Test, Zone
from zones.models.test_kinds import KINDS
from zones.selectors import in_order_taken, runs_before

_IN_ORDER: Final = {str(kind): place for place, kind in enumerate(KINDS)}


@dataclass(frozen=True)
class ExpectedThen:
    """What a test should have read, in its unit."""

    low: float
    likely: float
    high: float


@dataclass(frozen=True)
class TestOnRecord:
    """kind, state, signal, taken_as, value, unit, passed, verdict, expected, error, outside_by: as tests have
    them. point: its name; blank where the test is of the run or zone. instrument: its name; blank where it is
    not recorded. calibrated_on, calibration_due_on: as they were on the day of the test."""

    __test__ = False  # or pytest takes it for one of its own

    id: int
    kind: str
    state: str | None
    signal: str | None
    taken_as: str | None
    point: str
    value: float | None
    unit: str | None
    passed: bool | None
    verdict: str | None
    expected: ExpectedThen | None
    error: float | None
    outside_by: float | None
    taken_on: dt.date
    taken_at: str
    technician: str
    instrument: str
    serial: str
    calibrated_on: dt.date | None
    calibration_due_on: dt.date | None
    calibration_lapsed: bool | None
    note: str


@dataclass(frozen=True)
class RunOnRecord:
    """kind: as runs have it. closet: of its block. fed_by: what feeds it at its block, in words. tests: the
    newest of each kind, state and point, in the order of work. proven, sentence, of_proof: of the run's
    proof."""

    id: int
    name: str
    kind: str
    block: str
    closet: str
    fed_by: tuple[str, ...]
    proven: bool
    sentence: str
    of_proof: tuple[TestOfProof, ...]
    tests: tuple[TestOnRecord, ...]


@dataclass(frozen=True)
class CommissioningRecord:
    """commissioned_on: the site's; null: not recorded. proven: every run is. runs: by name. of_zone: tests of
    the zone itself, as listening is. sentence: what is left to do."""

    zone_id: int
    zone: str
    site_id: int
    as_of: dt.date
    commissioned_on: dt.date | None
    proven: bool
    sentence: str
    runs: tuple[RunOnRecord, ...]
    of_zone: tuple[TestOnRecord, ...]


def commissioning_record(zone: Zone, as_of: dt.date) -> CommissioningRecord:
    """The record of a zone as of the end of a day, by the tests that count today. As many queries for many
    runs as for one."""
    pairs = runs_before(first_step_after(as_of), site_ids=[zone.site_id], zone_ids=[zone.pk])
    runs = [run for run, _ in pairs]
    proofs = proofs_of(runs, as_of, zone.site.surveyed_on) if runs else {}
    rows = Test.objects.filter(
        Q(run__in=runs) | Q(zone=zone),
        site_id=zone.site_id,
        taken_on__lte=as_of,
        superseded_by__isnull=True,
    )
    tests = list(in_order_taken(rows).select_related("point", "instrument_record"))
    newest = _newest(tests)
    taken = [
        (test.run_id, _test(test, outcome)) for test, outcome in zip(newest, outcomes_of(newest), strict=True)
    ]
    on_record = tuple(
        _run(run, facts, proofs[run.pk], tuple(one for run_id, one in taken if run_id == run.pk))
        for run, facts in pairs
    )
    return CommissioningRecord(
        zone_id=zone.pk,
        zone=zone.name,
        site_id=zone.site_id,
        as_of=as_of,
        commissioned_on=zone.site.commissioned_on,
        proven=bool(on_record) and all(one.proven for one in on_record),
        sentence=_sentence(on_record),
        runs=on_record,
        of_zone=tuple(one for run_id, one in taken if run_id is None),
    )


def _sentence(runs: Sequence[RunOnRecord]) -> str:
    if not runs:
        return "No run of this zone is recorded on that day."
    left = [one.name for one in runs if not one.proven]
    return f"Not proven: {', '.join(left)}." if left else "Every run of this zone is proven."


def _run(run: Run, facts: RunFacts, proof: ProofOfRun, tests: tuple[TestOnRecord, ...]) -> RunOnRecord:
    sources = (
        f"output {facts.output.number} of {facts.output.endpoint.name}" if facts.output is not None else "",
        f"supply {facts.supply.name}" if facts.supply is not None else "",
        f"amplifier {facts.amplifier.name}" if facts.amplifier is not None else "",
    )
    return RunOnRecord(
        id=run.pk,
        name=run.name,
        kind=run.kind,
        block=run.block.name,
        closet=run.block.closet.name,
        fed_by=tuple(filter(None, sources)),
        proven=proof.proven,
        sentence=proof.sentence,
        of_proof=proof.tests,
        tests=tests,
    )


def _test(test: Test, outcome: Outcome) -> TestOnRecord:
    recorded = test.instrument_record
    return TestOnRecord(
        id=test.pk,
        kind=test.kind,
        state=test.state,
        signal=test.signal_paged,
        taken_as=test.taken_as,
        point=test.point.name if test.point is not None else "",
        value=test.value,
        unit=test.unit,
        passed=test.passed,
        verdict=outcome.verdict,
        expected=_expected(outcome),
        error=outcome.error,
        outside_by=outcome.outside_by,
        taken_on=test.taken_on,
        taken_at=test.taken_at,
        technician=test.technician,
        instrument=test.instrument or (recorded.name if recorded is not None else ""),
        serial=recorded.serial if recorded is not None else "",
        calibrated_on=test.calibrated_on,
        calibration_due_on=test.calibration_due_on,
        calibration_lapsed=test.calibration_lapsed,
        note=test.note,
    )


def _expected(outcome: Outcome) -> ExpectedThen | None:
    found = outcome.expected
    if found is None or found.low is None or found.likely is None or found.high is None:
        return None
    return ExpectedThen(found.low, found.likely, found.high)


def _newest(tests: Iterable[Test]) -> list[Test]:
    """Of tests in the order of time, the last of each kind, state and point of a run."""
    last = {(one.run_id, one.kind, one.state or "", one.signal, one.point_id or 0): one for one in tests}
    return sorted(last.values(), key=lambda one: (_IN_ORDER[one.kind], one.state or "", one.pk))
