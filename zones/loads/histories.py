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
from zones.electrical.subjects import Subject, SubjectKind
from zones.electrical.verdicts import Verdict, judge
from zones.findings.attribution import (
    HistoryEntry,
    attribute,
    authors_of,
    baseline_steps,
    history,
)
from zones.findings.named_changes import Attribution, Figure, NamedChange, unattributed
from zones.findings.timeline import Targets
from zones.findings.upstream import Scene, Scenes
from zones.findings.wording import as_shown, sentence, what_was_done
from zones.limits.limit import Limit
from zones.limits.registry import limit_by_code
from zones.plant.change_sets import ChangeSetInfo, ChangeSets, look_up
from zones.subjects import Names

from .site_loads import SiteLoads, site_loads

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
    changed the figure or its limit after it. attribution: as the API shows it, where it is past now."""

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

    The zone's subjects are those of the day: the history of a run that was moved elsewhere is not here.
    """
    loads = site_loads(site_id, as_of)
    rank = {
        (load.code, load.subject): place
        for place, load in enumerate(loads.of(loads.bearing.get(zone_id, ())))
    }
    chosen = [
        (rank[load.code, load.subject], row)
        for row, load in enumerate(loads.loads)
        if (load.code, load.subject) in rank and (codes is None or load.code in codes)
    ]
    return _Histories(loads, [row for _, row in sorted(chosen)]).lines() if chosen else ()


class _Histories:
    """Some rows of an evaluation, each followed back: one call of ``history`` and one of ``attribute``."""

    def __init__(self, loads: SiteLoads, rows: Sequence[int]) -> None:
        self.loads = loads
        self.plant, self.rules = loads.plant, loads.evaluation.rules
        self.targets = Targets.of_rows(loads.evaluation, np.array(rows, np.int64))
        self.surveyed_on = Site.objects.filter(pk=loads.site_id).values_list("surveyed_on", flat=True).get()
        self.asked: dict[str, Any] = {
            "asked_step": [int(loads.members.step[0])],
            "surveyed_on": [self.surveyed_on],
            "lookup": look_up,
            "anchoring": loads.anchoring,
        }
        self.baseline = baseline_steps(self.plant, self.targets, [self.surveyed_on])

    def lines(self) -> tuple[Line, ...]:
        kept = [_that_changed(of) for of in history(self.plant, self.targets, self.rules, **self.asked)]
        made_by = self._made_by(kept)
        past = np.flatnonzero(self.targets.now_past.any(axis=0))
        chosen = self.targets.only(past)
        found = attribute(self.plant, chosen, self.rules, **self.asked)
        attributions = dict(zip(past.tolist(), found, strict=True))
        named = [one for one in (*(a for of in made_by for a in of), *found) if one is not None]
        self.names = Names(
            (self._subject(k) for k in range(len(self.targets))),
            others=(reference for one in named for reference in one.references()),
        )
        return tuple(self._line(k, kept[k], made_by[k], attributions) for k in range(len(self.targets)))

    def _subject(self, k: int) -> Subject:
        return SubjectKind(int(self.targets.subject_kind[k])), int(self.targets.subject_id[k])

    def _made_by(self, kept: Sequence[Sequence[HistoryEntry]]) -> list[list[Attribution]]:
        """By target, what made each of its entries."""
        every, targets, site_id = Scenes(self.plant), self.targets, self.loads.site_id
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
            {(site_id, scene.step) for of in scenes for scene in of},
            {writer for of in scenes for scene in of for writer in scene.writers},
        )
        return [
            [self._entry_made_by(k, kept[k], at, scene, change_sets) for at, scene in enumerate(of)]
            for k, of in enumerate(scenes)
        ]

    def _entry_made_by(
        self, k: int, entries: Sequence[HistoryEntry], at: int, scene: Scene, change_sets: ChangeSets
    ) -> Attribution:
        """What made an entry, as an attribution: of a change like any other, or of what was found."""
        entry, baseline_step = entries[at], int(self.baseline[k])
        change_set, correction = authors_of(scene, self.loads.site_id, change_sets)
        after = _figure(entry)
        change = NamedChange(
            day=entry.day if entry.after_baseline else day_of(baseline_step),
            as_found=not entry.after_baseline,
            change_set=change_set,
            correction=correction,
            changes=scene.changes,
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
            surveyed=self.surveyed_on is not None,
        )

    def _line(
        self,
        k: int,
        entries: Sequence[HistoryEntry],
        made_by: Sequence[Attribution],
        attributions: Mapping[int, Attribution | None],
    ) -> Line:
        limit, names = limit_by_code(self.targets.code[k]), self.names.texts
        name = self.names.of(self._subject(k))
        rule = next(rule for rule in self.rules if rule.code == limit.code)
        shown = tuple(
            Entry(
                day=made.named.day,
                change_set=made.named.change_set,
                correction=made.named.correction,
                low=_known(entry.low),
                likely=_known(entry.likely),
                high=_known(entry.high),
                limit=_known(entry.limit),
                verdict=Verdict(
                    int(judge([entry.low], [entry.likely], [entry.high], [entry.limit], rule)[0])
                ),
                what=what_was_done(made.named.changes, names),
                sentence=sentence(made, limit, name, names) + ".",
            )
            for entry, made in zip(entries, made_by, strict=True)
        )
        attribution = None
        if k in attributions:
            found = attributions[k]
            record = unattributed() if found is None else found.as_record()
            attribution = as_shown(record, found, limit, name, names)
        return Line(
            subject=self._subject(k),
            name=name,
            limit=limit,
            surveyed=self.surveyed_on is not None,
            baseline=next((e for e, of in zip(shown, entries, strict=True) if not of.after_baseline), None),
            entries=shown,
            crossings=tuple(_crossings(shown, entries)),
            attribution=attribution,
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


def _crossings(shown: Sequence[Entry], entries: Sequence[HistoryEntry]) -> Iterator[Crossing]:
    was_past = False
    for entry, of in zip(shown, entries, strict=True):
        _, is_past, _ = of.past
        if is_past != was_past:
            yield Crossing(entry, is_past)
        was_past = is_past


def _figure(entry: HistoryEntry) -> Figure:
    value = next((v for v in (entry.likely, entry.high, entry.low) if not math.isnan(v)), None)
    return Figure(value, _known(entry.limit))


def _known(value: float) -> float | None:
    return None if math.isnan(value) else value
