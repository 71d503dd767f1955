"""Loads as people ask for them: of a site, of a zone, on a day, with headroom; and before and after a draft.

Nothing here computes a load: it reads a plant, evaluates it, and says how far each figure is from its limit.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from sites.changes.steps import first_step_after
from sites.models import Output
from zones.electrical.evaluate import Evaluation, evaluate, subject_ids
from zones.electrical.figures import Problem
from zones.electrical.plant import Members, Plant, select
from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Verdict
from zones.limits import RULES
from zones.models import Run, ZoneEndpoint
from zones.plant.selectors import read_plant

Subject = tuple[SubjectKind, int]


@dataclass(frozen=True)
class Load:
    """One figure against one limit. Headroom is the share of the limit that is left, negative past it; None
    where the limit is zero or something is not known. ``detail``: id of the point, row or reading that
    decides."""

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


@dataclass(frozen=True)
class SiteLoads:
    """All loads of a site on a day, in order of the limits registry, and what could not be computed."""

    site_id: int
    as_of: dt.date
    plant: Plant
    evaluation: Evaluation
    loads: tuple[Load, ...]
    problems: tuple[tuple[Subject, str], ...]

    def of(self, subjects: Iterable[Subject]) -> tuple[Load, ...]:
        """The loads of some subjects, worst verdict first and then least headroom."""
        wanted = set(subjects)
        chosen = [load for load in self.loads if load.subject in wanted]
        return tuple(sorted(chosen, key=_severity))


def site_loads(site_id: int, as_of: dt.date) -> SiteLoads:
    """Evaluate a site as of the end of a day, as known now."""
    plant = read_plant([site_id])
    members = Members.of_sites(plant, first_step_after(as_of) - 1)
    found = evaluate(plant, members, RULES)
    return SiteLoads(site_id, as_of, plant, found, loads_of(found), problems_of(plant, found.problems))


def loads_of(found: Evaluation, rows: Sequence[int] | None = None) -> tuple[Load, ...]:
    """Rows of an evaluation as values that can be shown; NaN becomes None."""
    return tuple(_load(found, i) for i in (range(len(found)) if rows is None else rows))


def problems_of(plant: Plant, problems: Iterable[Problem]) -> tuple[tuple[Subject, str], ...]:
    """What could not be computed, by the record's ids."""
    return tuple(
        (
            (problem.subject_kind, int(subject_ids(plant, problem.subject_kind)[problem.subject])),
            problem.reason,
        )
        for problem in problems
    )


def smallest_headroom(loads: Iterable[Load]) -> Load | None:
    """The load that says how much a zone has left: the one of least likely headroom, where any is known."""
    known = [load for load in loads if load.headroom_likely is not None]
    return min(known, key=lambda load: (load.headroom_likely, load.headroom_worst or 0.0), default=None)


def zone_subjects(zone_id: int, loads: SiteLoads) -> set[Subject]:
    """Everything that bears on a zone on the day of ``loads``: its runs and what feeds them, back to the
    switch."""
    plant = loads.plant
    members = Members.of_sites(plant, first_step_after(loads.as_of) - 1)
    _, runs = select(plant, "runs", members)
    runs = runs[plant.runs.zone_id[runs] == zone_id]
    run_index = plant.runs.run_index[runs]
    _, points = select(plant, "points", members)
    feeds = plant.points.feed_supply_index[points[np.isin(plant.points.run_index[points], run_index)]]
    outputs = _ids(plant.output_id, plant.runs.output_index[runs])
    run_ids = _ids(plant.run_id, run_index)
    endpoint_ids = set(Output.objects.filter(pk__in=outputs).values_list("endpoint_id", flat=True))
    step = first_step_after(loads.as_of)
    heard = ZoneEndpoint.objects.filter(zone_id=zone_id, begin_step__lt=step).exclude(end_step__lt=step)
    endpoint_ids |= set(heard.values_list("endpoint_id", flat=True))
    _, endpoints = select(plant, "endpoints", members)
    endpoints = endpoints[
        np.isin(plant.endpoint_id[plant.endpoints.endpoint_index[endpoints]], list(endpoint_ids))
    ]
    ports = plant.endpoints.port_index[endpoints]
    _, port_rows = select(plant, "ports", members)
    switches = plant.ports.switch_index[
        port_rows[np.isin(plant.ports.port_index[port_rows], ports[ports >= 0])]
    ]
    found: dict[SubjectKind, Iterable[int]] = {
        SubjectKind.RUN: run_ids,
        SubjectKind.OUTPUT: outputs,
        SubjectKind.SUPPLY: _ids(plant.supply_id, np.concatenate([plant.runs.supply_index[runs], feeds])),
        SubjectKind.AMPLIFIER: _ids(plant.amplifier_id, plant.runs.amplifier_index[runs]),
        SubjectKind.ENDPOINT: endpoint_ids,
        SubjectKind.PORT: _ids(plant.port_id, ports),
        SubjectKind.SWITCH: _ids(plant.switch_id, switches),
        SubjectKind.BLOCK: Run.objects.filter(pk__in=run_ids).values_list("block_id", flat=True),
    }
    return {(kind, int(subject)) for kind, ids in found.items() for subject in ids}


def _ids(
    ids: np.ndarray[tuple[int], np.dtype[np.int64]], index: np.ndarray[tuple[int], np.dtype[np.int64]]
) -> list[int]:
    return [int(i) for i in np.unique(ids[index[index >= 0]])]


def _load(found: Evaluation, i: int) -> Load:
    rule = found.rules[found.rule[i]]
    limit, likely, high = _known(found.limit[i]), _known(found.likely[i]), _known(found.high[i])

    def headroom(figure: float | None) -> float | None:
        if figure is None or not limit:
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


def _severity(load: Load) -> tuple[int, float]:
    return -load.verdict, load.headroom_likely if load.headroom_likely is not None else float("inf")
