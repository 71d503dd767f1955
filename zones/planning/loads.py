"""Loads as people ask for them: of a site, of a zone, on a day, with headroom.

Nothing here computes a load: it reads a plant, evaluates it, and says how far each figure is from its limit.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
from django.db import connection, transaction

from sites.changes.steps import first_step_after
from zones.electrical.calibration import Anchoring, anchor
from zones.electrical.evaluate import Evaluation, evaluate, subject_ids
from zones.electrical.figures import Problem
from zones.electrical.plant import Members, Plant
from zones.electrical.point_loads import point_loads
from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Verdict
from zones.limits.registry import RULES, limit_by_code
from zones.plant.selectors import read_plant
from zones.recheck.stored_figures import without_repeats

Subject = tuple[SubjectKind, int]


@dataclass(frozen=True)
class Load:
    """One figure against one limit. Headroom is the share of the limit that is left, negative past it; None
    where the limit is zero, the figure counts faults, or something is not known. ``detail``: id of the point,
    row or reading that decides."""

    code: str
    subject_kind: SubjectKind
    subject_id: int
    low: float | None
    likely: float | None
    high: float | None
    limit: float | None
    verdict: Verdict
    headroom_likely: float | None
    headroom_worst: float | None
    detail: int | None
    supported: float | None

    @property
    def subject(self) -> Subject:
        return self.subject_kind, self.subject_id


@dataclass(frozen=True, eq=False)
class SiteLoads:
    """All loads of a site on a day, in order of the limits registry, and what could not be computed.

    ``evaluation`` has a row for each of ``loads``, in the same order.
    """

    site_id: int
    as_of: dt.date
    plant: Plant
    anchoring: Anchoring
    members: Members
    evaluation: Evaluation
    loads: tuple[Load, ...]
    problems: tuple[tuple[Subject, str], ...]

    def of(self, subjects: Iterable[Subject]) -> tuple[Load, ...]:
        """The loads of some subjects, worst verdict first and then least headroom."""
        wanted = set(subjects)
        chosen = [load for load in self.loads if load.subject in wanted]
        return tuple(sorted(chosen, key=_severity))

    def problems_of(self, subjects: Iterable[Subject]) -> tuple[tuple[Subject, str], ...]:
        """What could not be computed of some subjects, and why."""
        wanted = set(subjects)
        return tuple((subject, reason) for subject, reason in self.problems if subject in wanted)


def site_loads(site_id: int, as_of: dt.date) -> SiteLoads:
    """Evaluate a site as of the end of a day, as known now."""
    with one_snapshot():
        plant = read_plant([site_id])
    members = Members.of_sites(plant, first_step_after(as_of) - 1)
    anchoring = anchor(plant, point_loads(plant))
    found = without_repeats(evaluate(plant, members, RULES, anchoring=anchoring))
    return SiteLoads(
        site_id=site_id,
        as_of=as_of,
        plant=plant,
        anchoring=anchoring,
        members=members,
        evaluation=found,
        loads=tuple(_load(found, i) for i in range(len(found))),
        problems=_by_ids(plant, found.problems),
    )


@contextmanager
def one_snapshot() -> Iterator[None]:
    """All that is read inside is of one moment. Within a transaction of the caller's, it is that one's
    business: a draft is evaluated under the site's lock, which does as much for that site."""
    if connection.in_atomic_block:
        yield
        return
    with transaction.atomic():
        with connection.cursor() as cursor:
            cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
        yield


def smallest_headroom(loads: Iterable[Load]) -> Load | None:
    """The load that says how much is left: the one of least likely headroom, where any is known."""
    known = [load for load in loads if load.headroom_likely is not None]
    return min(
        known, key=lambda load: (load.headroom_likely, _or_infinity(load.headroom_worst)), default=None
    )


def _by_ids(plant: Plant, problems: Iterable[Problem]) -> tuple[tuple[Subject, str], ...]:
    """What could not be computed, by the record's ids."""
    return tuple(
        (
            (problem.subject_kind, int(subject_ids(plant, problem.subject_kind)[problem.subject])),
            problem.reason,
        )
        for problem in problems
    )


def _load(found: Evaluation, i: int) -> Load:
    rule = found.rules[found.rule[i]]
    limit, likely, high = _known(found.limit[i]), _known(found.likely[i]), _known(found.high[i])
    has_headroom = not limit_by_code(rule.code).counts_faults

    def headroom(figure: float | None) -> float | None:
        if figure is None or not limit or not has_headroom:
            return None
        return (figure - limit) / abs(limit) if rule.at_least else (limit - figure) / abs(limit)

    return Load(
        code=rule.code,
        subject_kind=SubjectKind(int(found.subject_kind[i])),
        subject_id=int(found.subject_id[i]),
        low=_known(found.low[i]),
        likely=likely,
        high=high,
        limit=limit,
        verdict=Verdict(int(found.verdict[i])),
        headroom_likely=headroom(likely),
        headroom_worst=headroom(high),
        detail=int(found.detail[i]) if found.detail[i] >= 0 else None,
        supported=_known(found.supported[i]),
    )


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _or_infinity(value: float | None) -> float:
    return float("inf") if value is None else value


def _severity(load: Load) -> tuple[int, float]:
    return -load.verdict, _or_infinity(load.headroom_likely)
