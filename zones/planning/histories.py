"""How what a zone carries came about: each figure over time, its commissioning, its crossings, and the
changes that made them."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from sites.changes.steps import day_of
from sites.models import Site
from zones.electrical.bands import IntArray
from zones.electrical.plant import Plant
from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Rule, Verdict, judge
from zones.findings.attribution import (
    Attribution,
    ChangeSets,
    Figure,
    HistoryEntry,
    NamedChange,
    attribute,
    authors_of,
    baseline_steps,
    history,
)
from zones.findings.changes_at_step import Reference
from zones.findings.conditions import attributions_as_data, look_up
from zones.findings.names import names_of, of_subject
from zones.findings.timeline import Targets
from zones.findings.upstream import Scene, Scenes
from zones.findings.wording import Judged, references, sentence, what_was_done
from zones.limits.limit import Limit
from zones.limits.registry import limit_by_code
from zones.plant.change_sets import ChangeSetInfo

from .bearing import subjects_of_zones
from .loads import SiteLoads, Subject, site_loads

# What differs by less was computed alike
_SAME = 1e-9


@dataclass(frozen=True)
class Entry:
    """A figure from a day on [unit of the limit], and what made it so. change_set: who did it; correction:
    who corrected the record of it later. what: in a few words; sentence: with who, when and what it led
    to."""

    day: dt.date
    change_set: ChangeSetInfo | None
    correction: ChangeSetInfo | None
    low: float | None
    likely: float | None
    high: float | None
    limit: float | None
    verdict: Verdict
    what: str
    sentence: str


@dataclass(frozen=True)
class Crossing:
    """The likely figure went past its limit, or came back within it."""

    entry: Entry
    past: bool


@dataclass(frozen=True)
class Line:
    """One figure of one subject over time, oldest first. baseline: what it was at the end of its first day,
    or of the survey day of a site taken over; None: it came later. entries: the baseline, and whatever
    changed the figure or its limit after it. attribution: as data, where it is past now."""

    subject: Subject
    name: str
    limit: Limit
    surveyed: bool
    baseline: Entry | None
    entries: tuple[Entry, ...]
    crossings: tuple[Crossing, ...]
    attribution: dict[str, Any] | None


def zone_history(
    zone_id: int, site_id: int, as_of: dt.date, *, codes: Collection[str] | None = None
) -> tuple[Line, ...]:
    """Every figure that bears on a zone on the day, followed back to its beginning; of some limits only where
    ``codes`` are given. The worst first.

    The zone's subjects are those of the day: of a run that was moved elsewhere, nothing is told here.
    """
    loads = site_loads(site_id, as_of)
    rank = {
        (load.code, load.subject): place
        for place, load in enumerate(loads.of(subjects_of_zones(loads).get(zone_id, set())))
    }
    chosen = [
        (rank[load.code, load.subject], row)
        for row, load in enumerate(loads.loads)
        if (load.code, load.subject) in rank and (codes is None or load.code in codes)
    ]
    return _lines(loads, [row for _, row in sorted(chosen)]) if chosen else ()


def _lines(loads: SiteLoads, rows: Sequence[int]) -> tuple[Line, ...]:
    """Each of some rows of an evaluation followed back: one call of ``history`` and one of ``attribute``."""
    plant, rules = loads.plant, loads.evaluation.rules
    targets = Targets.of_rows(loads.evaluation, np.array(rows, np.int64))
    surveyed_on = Site.objects.filter(pk=loads.site_id).values_list("surveyed_on", flat=True).get()
    asked: dict[str, Any] = {
        "asked_step": [int(loads.members.step[0])],
        "surveyed_on": [surveyed_on],
        "lookup": look_up,
        "anchoring": loads.anchoring,
    }
    baseline = baseline_steps(plant, targets, [surveyed_on])
    kept = [_that_changed(of) for of in history(plant, targets, rules, **asked)]
    every = Scenes(plant)
    scenes = [
        [
            every.at(
                SubjectKind(int(targets.subject_kind[k])),
                int(targets.subject_id[k]),
                int(targets.group[k]),
                entry.step,
            )
            for entry in of
        ]
        for k, of in enumerate(kept)
    ]
    change_sets = look_up(
        {(loads.site_id, scene.step) for of in scenes for scene in of},
        {writer for of in scenes for scene in of for writer in scene.writers},
    )
    stories = [
        [
            _story(
                loads.site_id,
                of,
                at,
                scenes[k][at],
                change_sets,
                int(baseline[k]),
                surveyed=bool(surveyed_on),
            )
            for at in range(len(of))
        ]
        for k, of in enumerate(kept)
    ]
    named = names_of(
        [
            *(_subject(targets, k) for k in range(len(targets))),
            *(reference for of in stories for story in of for reference in references(story)),
        ]
    )
    past_now = np.flatnonzero(targets.now_past.any(axis=0))
    attributions = _attributions(plant, targets, rules, past_now, asked)
    return tuple(
        _line(targets, k, kept[k], stories[k], rules, named, attributions.get(k), surveyed=bool(surveyed_on))
        for k in range(len(targets))
    )


def _that_changed(entries: Sequence[HistoryEntry]) -> list[HistoryEntry]:
    """Of the entries up to the baseline the last, which is what was found; of those after it the ones at
    which the figure or its limit is another than before."""
    found = [entry for entry in entries if not entry.after_baseline][-1:]
    for entry in entries:
        if entry.after_baseline and not (found and _alike(found[-1], entry)):
            found.append(entry)
    return found


def _alike(one: HistoryEntry, other: HistoryEntry) -> bool:
    return all(
        _close(getattr(one, name), getattr(other, name)) for name in ("low", "likely", "high", "limit")
    )


def _close(one: float, other: float) -> bool:
    return (math.isnan(one) and math.isnan(other)) or math.isclose(one, other, rel_tol=_SAME, abs_tol=1e-12)


def _story(
    site_id: int,
    entries: Sequence[HistoryEntry],
    at: int,
    scene: Scene,
    change_sets: ChangeSets,
    baseline_step: int,
    *,
    surveyed: bool,
) -> Attribution:
    """What made an entry, told as an attribution is: of a change like any other, or of what was found."""
    entry = entries[at]
    change_set, correction = authors_of(scene, site_id, change_sets)
    after = _figure(entry)
    change = NamedChange(
        day=entry.day if entry.after_baseline else day_of(baseline_step),
        as_found=not entry.after_baseline,
        change_set=change_set,
        correction=correction,
        deeds=scene.deeds,
        before=_figure(entries[at - 1]) if at else Figure(None, None),
        after=after,
    )
    return Attribution(
        named=change,
        since=None,
        until=None,
        possible=False,
        baseline=after,
        baseline_day=day_of(max(baseline_step, 0)),
        surveyed=surveyed,
    )


def _attributions(
    plant: Plant, targets: Targets, rules: Sequence[Rule], past: IntArray, asked: dict[str, Any]
) -> dict[int, dict[str, Any]]:
    """By target that is past now, what pushed it there."""
    chosen = targets.only(past)
    found = attribute(plant, chosen, rules, **asked)
    return dict(zip(past.tolist(), attributions_as_data(chosen, found), strict=True))


def _line(
    targets: Targets,
    k: int,
    entries: Sequence[HistoryEntry],
    stories: Sequence[Attribution],
    rules: Sequence[Rule],
    names: Mapping[Reference, str],
    attribution: dict[str, Any] | None,
    *,
    surveyed: bool,
) -> Line:
    limit, subject = limit_by_code(targets.code[k]), _subject(targets, k)
    name = names.get(subject, f"{subject.kind} {subject.id}")
    judged = Judged(limit.code, limit.unit, bool(targets.at_least[k]), name)
    rule = next(rule for rule in rules if rule.code == limit.code)
    shown = tuple(
        Entry(
            day=story.named.day,
            change_set=story.named.change_set,
            correction=story.named.correction,
            low=_known(entry.low),
            likely=_known(entry.likely),
            high=_known(entry.high),
            limit=_known(entry.limit),
            verdict=Verdict(int(judge([entry.low], [entry.likely], [entry.high], [entry.limit], rule)[0])),
            what=what_was_done(story.named.deeds, names),
            sentence=sentence(story, judged, names) + ".",
        )
        for entry, story in zip(entries, stories, strict=True)
    )
    return Line(
        subject=(SubjectKind(int(targets.subject_kind[k])), int(targets.subject_id[k])),
        name=name,
        limit=limit,
        surveyed=surveyed,
        baseline=next((e for e, of in zip(shown, entries, strict=True) if not of.after_baseline), None),
        entries=shown,
        crossings=tuple(_crossings(shown, entries)),
        attribution=attribution,
    )


def _crossings(shown: Sequence[Entry], entries: Sequence[HistoryEntry]) -> Iterator[Crossing]:
    was_past = False
    for entry, of in zip(shown, entries, strict=True):
        _, is_past, _ = of.past
        if is_past != was_past:
            yield Crossing(entry, is_past)
        was_past = is_past


def _subject(targets: Targets, k: int) -> Reference:
    return of_subject(int(targets.subject_kind[k]), int(targets.subject_id[k]))


def _figure(entry: HistoryEntry) -> Figure:
    value = next((v for v in (entry.likely, entry.high, entry.low) if not math.isnan(v)), None)
    return Figure(value, _known(entry.limit))


def _known(value: float) -> float | None:
    return None if math.isnan(value) else value
