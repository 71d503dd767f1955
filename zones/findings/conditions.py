"""What is past now: the conditions that findings are episodes of, and the case of each.

Conditions come from a recheck's evaluation. A condition is a function of the record and of the day, with its
attribution and case; ``reconcile`` compares it with the findings that are open.

The key of a case is site and causing change set; past at the baseline: site and "as found". Where a crossing
is between two changes, it is the change of the likely estimate (L) whose key counts: the ends of the range
move as data gets better, and the ticket should not move with them. A record correction that made the crossing
is itself the cause, so a cause revised by a correction moves its findings to the correction's case. What has
no attribution (a site that cannot be computed at all) has a case of its own.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from zones.electrical.bands import LIKELY, LOW, IntArray
from zones.electrical.estimates import NOT_KNOWN, Estimates
from zones.electrical.figures import Problem
from zones.electrical.proofs import DueTest
from zones.electrical.verdicts import Verdict
from zones.limits.registry import limit_by_code
from zones.plant.change_sets import look_up
from zones.recheck.checked import Checked

from .attribution import attribute
from .baselines import Baseline, baselines
from .corrections import crossings
from .named_changes import BY_TIME, Attribution, by_time, unattributed
from .timeline import OWN_ROWS, Targets, problem_subject


@dataclass(frozen=True)
class CaseKey:
    """key: unique, and shown to ticketing systems. change_set_id: the cause, where it is one."""

    key: str
    site_id: int
    change_set_id: int | None = None


def key_of(site_id: int, attribution: Attribution | None) -> CaseKey:
    """The case of what a change caused, or of what has no known cause."""
    if attribution is None:
        return unattributed_key(site_id)
    cause = attribution.named.causing
    if attribution.named.as_found:
        return CaseKey(f"site-{site_id}/as-found", site_id)
    if cause is None:
        return CaseKey(f"site-{site_id}/unnamed-{attribution.named.day.isoformat()}", site_id)
    return CaseKey(f"site-{site_id}/change-set-{cause.id}", site_id, cause.id)


def key_of_day(site_id: int, code: str, day: dt.date) -> CaseKey:
    """The case of what was due on a day at a site."""
    return CaseKey(f"site-{site_id}/{code}-{day.isoformat()}", site_id)


def unattributed_key(site_id: int) -> CaseKey:
    return CaseKey(f"site-{site_id}/unattributed", site_id)


@dataclass(frozen=True)
class Condition:
    """One limit that is past on one subject. estimates: its figure. reasons: codes of why it cannot be
    computed, where that is the condition. attribution: as it is stored. quiet: known from a site's first
    import alone. caused_at: when what caused it was recorded; None: no change did."""

    case: CaseKey
    code: str
    subject_kind: int
    subject_id: int
    verdict: Verdict
    attribution: dict[str, Any]
    estimates: Estimates = NOT_KNOWN
    reasons: Sequence[str] = ()
    quiet: bool = False
    caused_at: dt.datetime | None = None

    @property
    def key(self) -> tuple[int, int, str]:
        return self.subject_kind, self.subject_id, self.code


def conditions_of(checked: Checked) -> list[Condition]:
    """Everything that is past on the sites of a recheck, each subject and limit once."""
    plant, evaluation = checked.plant, checked.evaluation
    # "cannot tell" is a question for the survey list and opens no finding; advice is near at worst, and is a
    # finding where its estimate is past, unless its limit opens none
    every = Targets.of_rows(evaluation)
    opens = np.array([limit_by_code(rule.code).opens_findings for rule in evaluation.rules])
    is_past = (every.now_past[LIKELY] | every.now_past[LOW]) & opens[evaluation.rule]
    of_time = every.code == BY_TIME
    rows = np.flatnonzero(is_past & ~of_time)
    targets = every.only(rows)
    problems = _problems(checked) if evaluation.problems else {}
    if problems:
        targets = targets.joined(Targets.of_problems(plant, list(problems)))
    attributions = attribute(
        plant,
        targets,
        evaluation.rules,
        asked_step=checked.members.step.tolist(),
        baselines=baselines_of(checked),
        lookup=look_up,
        anchoring=checked.anchoring,
        find_crossings=crossings,
    )
    sites = [checked.site_id[s] for s in plant.group_site[targets.group]]
    figures: list[dict[str, Any]] = [
        {"estimates": estimates, "verdict": Verdict(int(evaluation.verdict[row]))}
        for estimates, row in zip(evaluation.estimates(rows), rows, strict=True)
    ] + [{"verdict": Verdict.CANNOT_TELL, "reasons": reasons} for reasons in problems.values()]
    conditions = []
    for k, one in enumerate(attributions):
        conditions.append(
            Condition(
                case=key_of(sites[k], one),
                code=targets.code[k],
                subject_kind=int(targets.subject_kind[k]),
                subject_id=int(targets.subject_id[k]),
                attribution=unattributed() if one is None else one.as_record(),
                quiet=one is not None and one.quiet,
                caused_at=None if one is None or one.named.causing is None else one.named.causing.recorded_at,
                **figures[k],
            )
        )
    conditions += _overdue(checked, np.flatnonzero(is_past & of_time))
    return list({condition.key: condition for condition in conditions}.values())


def _overdue(checked: Checked, rows: IntArray) -> Iterator[Condition]:
    """The tests that were not made in time. rows: of the evaluation."""
    evaluation = checked.evaluation
    for row, estimates in zip(rows.tolist(), evaluation.estimates(rows), strict=True):
        site_id = checked.site_id[int(evaluation.member[row])]
        due_on = dt.date.fromordinal(DueTest.of_detail(int(evaluation.detail[row])).due_on)
        yield Condition(
            case=key_of_day(site_id, BY_TIME, due_on),
            code=BY_TIME,
            subject_kind=int(evaluation.subject_kind[row]),
            subject_id=int(evaluation.subject_id[row]),
            verdict=Verdict(int(evaluation.verdict[row])),
            estimates=estimates,
            attribution=by_time(due_on),
        )


def baselines_of(checked: Checked) -> list[Baseline]:
    """By site of a recheck, the day from which its limits are followed."""
    steps = checked.members.step.tolist()
    return baselines(checked.plant, checked.surveyed_on, checked.commissioned_on, steps)


def in_service_from(checked: Checked) -> dict[int, dt.date]:
    """The day on which each site of a recheck goes into service, of those that are still being built."""
    every = zip(checked.site_id, baselines_of(checked), strict=True)
    return {site_id: baseline.in_service_from for site_id, baseline in every if not baseline.begun}


def _problems(checked: Checked) -> dict[Problem, list[str]]:
    """What cannot be computed, each subject once, with all its reasons."""
    found: dict[tuple[int, int], tuple[Problem, set[str]]] = {}
    for problem in checked.evaluation.problems:
        if problem.subject_kind in OWN_ROWS:
            key = (int(problem.subject_kind), problem_subject(checked.plant, problem))
            found.setdefault(key, (problem, set()))[1].add(problem.reason)
    return {problem: sorted(reasons) for problem, reasons in found.values()}
