"""What is past now: the conditions that findings are episodes of.

They come from a recheck's evaluation, and from the rooms above (an endpoint in service untested, a test
overdue), which register a source. A condition is a function of the record and of the day, with its
attribution and case; ``episodes`` compares it with the findings that are open.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass, field
from typing import Any, Final, TypeVar

import numpy as np

from zones.electrical.bands import LIKELY, LOW
from zones.electrical.figures import Problem
from zones.electrical.verdicts import Verdict
from zones.limits.registry import limit_by_code
from zones.plant.change_sets import change_sets_at, change_sets_by_id
from zones.recheck.checked import Checked

from .attribution import Attribution, ChangeSets, attribute
from .cases import CaseKey, key_of
from .names import names_of, of_subject
from .timeline import OWN_ROWS, Targets, past_bands, problem_subject
from .wording import Judged, as_data, references, unattributed

F = TypeVar("F", bound=Callable[..., Any])


@dataclass(frozen=True)
class Condition:
    """One limit that is past on one subject. low, likely, high, limit: [unit of the limit], None not known.
    detail: id of what decides. reason: why it cannot be computed, where that is the condition. attribution:
    as JSON. quiet: known from a site's first import alone."""

    case: CaseKey
    code: str
    subject_kind: int
    subject_id: int
    verdict: Verdict
    attribution: dict[str, Any]
    low: float | None = None
    likely: float | None = None
    high: float | None = None
    limit: float | None = None
    detail: int | None = None
    reason: str = ""
    quiet: bool = False
    key: tuple[int, int, str] = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "key", (self.subject_kind, self.subject_id, self.code))


Source = Callable[[Checked], Iterable[Condition]]
_sources: Final[list[Source]] = []


def condition_source(source: Source) -> Source:
    """Have ``source(checked)`` asked at every recheck for all conditions of its own on those sites, in a
    constant number of queries. What it does not name any more is cleared."""
    if source not in _sources:
        _sources.append(source)
    return source


def conditions_of(checked: Checked) -> list[Condition]:
    """Everything that is past on the sites of a recheck, each subject and limit once."""
    conditions = _evaluated(checked)
    for source in _sources:
        conditions += source(checked)
    return list({condition.key: condition for condition in conditions}.values())


def _evaluated(checked: Checked) -> list[Condition]:
    plant, evaluation = checked.plant, checked.evaluation
    # "cannot tell" is a question for the survey list, and opens nothing; advice is judged no worse than near,
    # and yet is a finding
    past = past_bands(evaluation)
    rows = np.flatnonzero(past[LIKELY] | past[LOW])
    problems = _problems(checked)
    targets = Targets.of_rows(evaluation, rows).joined(Targets.of_problems(plant, problems))
    if not len(targets):
        return []
    attributions = attribute(
        plant,
        targets,
        evaluation.rules,
        asked_step=checked.step,
        surveyed_on=checked.surveyed_on,
        lookup=look_up,
        anchoring=checked.anchoring,
    )
    told = attributions_as_data(targets, attributions)
    sites = [checked.site_id[s] for s in plant.group_site[targets.group]]
    figures = [
        {
            "verdict": Verdict(int(evaluation.verdict[row])),
            "low": _known(evaluation.low[row]),
            "likely": _known(evaluation.likely[row]),
            "high": _known(evaluation.high[row]),
            "limit": _known(evaluation.limit[row]),
            "detail": int(evaluation.detail[row]) if evaluation.detail[row] >= 0 else None,
        }
        for row in rows
    ] + [{"verdict": Verdict.CANNOT_TELL, "reason": problem.reason} for problem in problems]
    return [
        Condition(
            case=key_of(sites[k], attributions[k]),
            code=targets.code[k],
            subject_kind=int(targets.subject_kind[k]),
            subject_id=int(targets.subject_id[k]),
            attribution=told[k],
            quiet=_is_quiet(attributions[k]),
            **figures[k],
        )
        for k in range(len(targets))
    ]


def look_up(places: Collection[tuple[int, int]], ids: Collection[int]) -> ChangeSets:
    """The change sets that attributions name, in two queries."""
    return ChangeSets(change_sets_at(places), change_sets_by_id(ids))


def attributions_as_data(
    targets: Targets, attributions: Iterable[Attribution | None]
) -> list[dict[str, Any]]:
    """Attributions in words and as JSON, their names read at once."""
    found = list(attributions)
    subjects = [
        of_subject(int(kind), int(pk))
        for kind, pk in zip(targets.subject_kind, targets.subject_id, strict=True)
    ]
    names = names_of([*subjects, *(r for one in found if one is not None for r in references(one))])
    out = []
    for k, one in enumerate(found):
        subject = names.get(subjects[k], f"{subjects[k].kind} {subjects[k].id}")
        judged = Judged(
            targets.code[k], limit_by_code(targets.code[k]).unit, bool(targets.at_least[k]), subject
        )
        out.append(
            unattributed(f"No change in the record explains what {subject} has")
            if one is None
            else as_data(one, judged, names)
        )
    return out


def _problems(checked: Checked) -> list[Problem]:
    """What cannot be computed, each subject once, with all the reasons."""
    reasons: dict[tuple[int, int], list[Problem]] = {}
    for problem in checked.evaluation.problems:
        if problem.subject_kind in OWN_ROWS:
            key = (int(problem.subject_kind), problem_subject(checked.plant, problem))
            reasons.setdefault(key, []).append(problem)
    return [
        Problem(
            same[0].member, same[0].subject_kind, same[0].subject, "; ".join(sorted({p.reason for p in same}))
        )
        for same in reasons.values()
    ]


def _known(value: float) -> float | None:
    return None if math.isnan(value) else float(value)


def _is_quiet(attribution: Attribution | None) -> bool:
    return attribution is not None and attribution.quiet
