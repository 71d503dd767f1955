"""Figures as of a day, as known now: computed, and nothing written."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from sites.changes.steps import first_step_after
from sites.models import Site
from sites.snapshot import snapshot
from zones.electrical.estimates import Estimates
from zones.electrical.evaluate import evaluate, subject_ids
from zones.electrical.plant import Members
from zones.electrical.verdicts import Verdict
from zones.limits.limit import Limit
from zones.limits.record import why_not_computed
from zones.limits.registry import RULES, limit_by_code
from zones.plant.selectors import read_plant
from zones.recheck.stored_results import without_repeats
from zones.subjects import Names, Places


@dataclass(frozen=True)
class Figure:
    """One limit of one subject, with its names; places: of its low, likely and high estimate."""

    limit: Limit
    subject: str
    subject_kind: int
    subject_id: int
    estimates: Estimates
    verdict: Verdict
    places: Places


@dataclass(frozen=True)
class SiteAsOf:
    """A site on a day: its figures, the worst first, and what could not be computed, in words."""

    code: str
    day: dt.date
    figures: list[Figure]
    problems: list[str]


def sites_as_of(site_ids: Sequence[int], day: dt.date) -> Iterator[SiteAsOf]:
    """Each of these sites at the end of a day of its own calendar, in the order of their ids."""
    with snapshot():
        plant = read_plant(site_ids)
        evaluation = without_repeats(
            evaluate(plant, Members.of_sites(plant, first_step_after(day) - 1), RULES)
        )
        sites = Site.objects.filter(pk__in=site_ids).in_bulk()
        units = [sites[pk].length_unit for pk in plant.site_id.tolist()]
        subjects = list(zip(evaluation.subject_kind.tolist(), evaluation.subject_id.tolist(), strict=True))
        limits = [
            limit_by_code(evaluation.rules[rule].code).shown_in(units[member])
            for rule, member in zip(evaluation.rule, evaluation.member, strict=True)
        ]
        estimates = evaluation.estimates()
        details = [
            (limit.detail, one.detail) for limit, of in zip(limits, estimates, strict=True) for one in of
        ]
        broken = [
            (int(problem.subject_kind), int(subject_ids(plant, problem.subject_kind)[problem.subject]))
            for problem in evaluation.problems
        ]
        names = Names([*subjects, *broken], details)
    figures: list[list[Figure]] = [[] for _ in plant.site_id]
    for row in np.argsort(-evaluation.verdict, kind="stable"):
        kind, id_ = subjects[row]
        figures[evaluation.member[row]].append(
            Figure(
                limit=limits[row],
                subject=names.of((kind, id_)),
                subject_kind=kind,
                subject_id=id_,
                estimates=estimates[row],
                verdict=Verdict(int(evaluation.verdict[row])),
                places=names.places(limits[row].detail, estimates[row]),
            )
        )
    problems: list[list[str]] = [[] for _ in plant.site_id]
    for problem, subject in zip(evaluation.problems, broken, strict=True):
        problems[problem.member].append(f"{names.of(subject)}: {why_not_computed([problem.reason])}")
    for number, site_id in enumerate(plant.site_id.tolist()):
        yield SiteAsOf(sites[site_id].code, day, figures[number], problems[number])
