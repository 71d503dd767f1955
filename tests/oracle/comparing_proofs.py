"""Holds what the service says of tests, proofs and due days against what the oracle says, and keeps count."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Collection, Sequence
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from sites.changes.steps import day_of, first_step_after
from zones.electrical.evaluate import evaluate
from zones.electrical.plant import Members, Plant
from zones.electrical.proofs import (
    PROOF_CODES,
    SURVEY_ID,
    ProofOfTest,
    Since,
    due_tests,
    tests_of_proof,
)
from zones.electrical.subjects import SubjectKind
from zones.limits.registry import RULES as REGISTERED
from zones.loads.outcomes import Outcome, outcomes_of
from zones.models import DueTest, Figures, Finding, Test
from zones.plant.selectors import read_plant

from .anchoring import Anchored
from .comparing import SAME, Report
from .expecting import Told, told
from .proving import TESTS, Due, Proof, Proving
from .record import Record

RUN = SubjectKind.RUN
UNPROVEN, OVERDUE = sorted(PROOF_CODES)
Said = dict[tuple[str, int], float | None]


def compare_proofs(record: Record, now: dt.datetime, report: Report) -> None:
    """What a sweep left of a site: due days, figures, findings, cases by time."""
    today = now.astimezone(ZoneInfo(record.time_zone)).date()
    step = first_step_after(today) - 1
    where = f"site {record.site} swept on {today}:"
    proving = Proving(record)
    due = proving.due(step)
    stored = {
        row.run_id: Due(row.contract_id, row.due_on, row.proven_on, row.surveyed)
        for row in DueTest.objects.filter(site=record.site)
    }
    _same(stored, due, f"{where} due tests", report)
    _count(due, report)
    expected = _figures(proving, step)
    said: Said = {}
    for row in Figures.objects.filter(site_id=record.site, subject_kind=RUN):
        values = zip(row.codes, row.likely, strict=True)
        said |= {(code, row.subject_id): value for code, value in values if code in PROOF_CODES}
    _same(said, expected, f"{where} stored figures", report)
    for (code, _), value in expected.items():
        report.compared[f"{code} {value:g}"] += 1
    open_ = Finding.objects.filter(site_id=record.site, code__in=PROOF_CODES, cleared_at__isnull=True)
    found = {(one.code, one.subject_id): one.case.key for one in open_.select_related("case")}
    past = {key for key, value in expected.items() if value}
    if found.keys() != past:
        report.differ(where, "findings open of", set(found), "expected", past)
        return
    for (code, run), case in found.items():
        if code == OVERDUE:
            key = f"site-{record.site}/{OVERDUE}-{due[run].due_on.isoformat()}"
            _same(case, key, f"{where} case of the overdue test of run {run}", report)


def compare_proofs_at(asked: Sequence[tuple[Proving, int]], report: Report) -> None:
    """The proofs of all runs of several sites, each as of a step of its own."""
    plant = read_plant([proving.record.site for proving, _ in asked])
    by_site = {proving.record.site: (proving, step) for proving, step in asked}
    in_order = [by_site[int(site)] for site in plant.site_id]
    members = Members.of_sites(plant, np.array([step for _, step in in_order], np.int64))
    figures, due = _said_figures(plant, members), _said_due(plant, members)
    place = {int(run): at for at, run in enumerate(plant.run_id)}
    for member, (proving, step) in enumerate(in_order):
        where = f"site {proving.record.site} step {step} ({day_of(step)}):"
        _same(figures[member], _figures(proving, step), f"{where} figures", report)
        _same(due[member], proving.due(step), f"{where} due tests", report)
        _count(due[member], report)
        for run in {row.thing for row in proving.record.runs if row.holds(step)}:
            found = tests_of_proof(plant, place[run], step)
            expected = proving.tests(run, step)
            said = {one.kind.name.lower(): _said(one) for one in found}
            _same(said, expected, f"{where} proof of run {run}", report)
            for kind in TESTS:
                one = expected[kind]
                report.compared[f"proof {one.verdict}"] += 1
                report.compared["proof by survey"] += one.surveyed
                for what in {each.what for each in one.because}:
                    report.compared[f"{kind} again: {what}"] += 1
            report.compared["proven"] += proving.proven(run, step)


def _count(due: dict[int, Due], report: Report) -> None:
    for one in due.values():
        report.compared["due, surveyed" if one.surveyed else "due, proven" if one.proven_on else "due"] += 1


def _figures(proving: Proving, step: int) -> Said:
    """Of a run whose device is in service, 1 where it is not proven, else 0; 1 of one whose test is
    overdue."""
    found: Said = {(UNPROVEN, run): float(value) for run, value in proving.unproven(step).items()}
    late = (run for run, due in proving.due(step).items() if day_of(step) > due.due_on)
    found.update({(OVERDUE, run): 1.0 for run in late})
    return found


def _said(one: ProofOfTest) -> Proof:
    surveyed = one.test is not None and one.test.id == SURVEY_ID
    test = None if one.test is None or surveyed else one.test.id
    because = tuple((each.step, each.change.name.lower(), each.pair, each.by) for each in one.because)
    return Proof(one.verdict.name.lower(), test, surveyed, tuple(sorted(because)))  # type: ignore[arg-type]


def _said_figures(plant: Plant, members: Members) -> list[Said]:
    out: list[Said] = [{} for _ in range(len(members))]
    evaluation = evaluate(plant, members, [rule for rule in REGISTERED if rule.code in PROOF_CODES])
    for row in range(len(evaluation)):
        code = evaluation.rules[int(evaluation.rule[row])].code
        if code in PROOF_CODES:
            likely = float(evaluation.likely[row])
            out[int(evaluation.member[row])][code, int(evaluation.subject_id[row])] = likely
    return out


def _said_due(plant: Plant, members: Members) -> list[dict[int, Due]]:
    out: list[dict[int, Due]] = [{} for _ in range(len(members))]
    found = due_tests(plant, members)
    for place, row in enumerate(found.row.tolist()):
        one = found.one(place)
        due_on, proven_on = (dt.date.fromordinal(day) if day else None for day in (one.due_on, one.proven_on))
        assert due_on is not None
        run = int(plant.run_id[plant.runs.run_index[row]])
        surveyed = one.since is Since.SURVEY
        out[int(found.member[place])][run] = Due(one.contract, due_on, proven_on, surveyed)
    return out


# --- outcomes -------------------------------------------------------------------------------------------


def compare_outcomes(anchored: Anchored, report: Report) -> None:
    """What tests should have read, and whether they did, as a sweep left it; and whether they passed."""
    site = anchored.record.site
    where = f"site {site}:"
    expected = told(anchored)
    rows = list(Test.objects.filter(site=site).select_related("superseded_by"))
    for test, outcome in zip(rows, outcomes_of(rows), strict=True):
        of = f"{where} {test.kind} {test.pk}"
        if hasattr(test, "superseded_by"):
            report.compared["superseded"] += 1
            if test.kind in TESTS:
                moved = test.superseded_by.taken_on < test.taken_on
                report.compared[f"superseded of a proof, {'moved' if moved else 'turned'}"] += 1
            if test.kind_of_test.reading is not None and outcome.verdict is not None:
                report.differ(of, "is compared, though superseded:", outcome)
            continue
        one = expected[test.pk]
        if _compare_outcome(outcome, one, of, report):
            report.compared[f"{test.kind} {one.verdict}"] += 1
            report.compared[f"test {one.verdict}"] += 1


def _compare_outcome(outcome: Outcome, one: Told, of: str, report: Report) -> bool:
    said = outcome.expected
    bands = (None, None, None) if said is None else (said.low, said.likely, said.high)
    values = [(outcome.error, one.error), (outcome.outside_by, one.outside)]
    values += list(zip(bands, one.expected, strict=True))
    if outcome.verdict is None or outcome.verdict.value != one.verdict:
        report.differ(of, "is", outcome.verdict, "expected", one)
        return False
    if not all(_close(first, second) for first, second in values):
        report.differ(of, "is", outcome, bands, "expected", one)
        return False
    return True


def _close(said: float | None, expected: float) -> bool:
    if said is None:
        return math.isnan(expected)
    return math.isclose(said, expected, rel_tol=SAME, abs_tol=SAME)


def _same(said: Any, expected: Any, what: str, report: Report) -> None:
    report.compared[what.rpartition(":")[2].strip().split(" of ")[0]] += (
        len(expected) if isinstance(expected, Collection) and not isinstance(expected, str) else 1
    )
    if said == expected:
        return
    if isinstance(said, dict) and isinstance(expected, dict):
        for key in sorted(said.keys() | expected.keys()):
            if said.get(key) != expected.get(key):
                report.differ(what, key, "is", said.get(key), "expected", expected.get(key))
    else:
        report.differ(what, "is", said, "expected", expected)
