"""The commissioning record of a zone: who proved which of its runs, when, with which instrument, and what
each test should have read."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from django.db.models import Q

from sites.changes.steps import first_step_after
from zones.loads.outcomes import Outcome, outcomes_of
from zones.loads.proofs import ProofOfRun, proofs_of
from zones.models import Run, RunFacts, Test, Zone
from zones.models.test_kinds import KINDS
from zones.selectors import runs_before

_IN_ORDER: Final = {str(kind): place for place, kind in enumerate(KINDS)}


@dataclass(frozen=True)
class TestTaken:
    __test__ = False  # or pytest takes it for one of its own

    test: Test
    outcome: Outcome


@dataclass(frozen=True)
class ProvenRun:
    """tests: the newest of each kind, state and point, in the order of work."""

    run: Run
    facts: RunFacts
    proof: ProofOfRun
    tests: tuple[TestTaken, ...]


@dataclass(frozen=True)
class CommissioningRecord:
    """runs: by name. of_zone: tests of the zone itself, as listening is. proven: every run is."""

    zone: Zone
    as_of: dt.date
    runs: tuple[ProvenRun, ...]
    of_zone: tuple[TestTaken, ...]

    @property
    def proven(self) -> bool:
        return bool(self.runs) and all(one.proof.proven for one in self.runs)


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
    tests = list(
        rows.select_related("point", "instrument_record")
        .prefetch_related("superseded_by")
        .order_by("taken_on", "taken_at", "pk")
    )
    newest = _newest(tests)
    taken = [TestTaken(*pair) for pair in zip(newest, outcomes_of(newest), strict=True)]
    return CommissioningRecord(
        zone=zone,
        as_of=as_of,
        runs=tuple(
            ProvenRun(run, facts, proofs[run.pk], tuple(one for one in taken if one.test.run_id == run.pk))
            for run, facts in pairs
        ),
        of_zone=tuple(one for one in taken if one.test.run_id is None),
    )


def _newest(tests: Iterable[Test]) -> list[Test]:
    """Of tests in the order of time, the last of each kind, state and point of a run."""
    last = {(one.run_id, one.kind, one.state or "", one.signal, one.point_id or 0): one for one in tests}
    return sorted(last.values(), key=lambda one: (_IN_ORDER[one.kind], one.state or "", one.pk))
