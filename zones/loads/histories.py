"""How what a zone carries came about: each figure over time, its commissioning, its crossings, and the
changes that made them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import chain
from typing import Any

import numpy as np

from sites.changes.steps import day_of
from sites.models import Site
from zones.electrical.estimates import UNKNOWN, Estimates, telling
from zones.electrical.proofs import DueTest
from zones.electrical.subjects import Subject, SubjectKind
from zones.electrical.verdicts import Rule, Verdict, judge
from zones.findings.attribution import HistoryEntry, attribute, authors_of, history
from zones.findings.baselines import Baseline, Since, baselines
from zones.findings.corrections import crossings
from zones.findings.named_changes import BY_TIME, Attribution, NamedChange, by_time, unattributed
from zones.findings.timeline import Targets
from zones.findings.upstream import Scenes
from zones.findings.wording import as_shown, sentence, what_was_done
from zones.limits.limit import Limit
from zones.limits.registry import limit_by_code
from zones.plant.change_sets import ChangeSetInfo, look_up
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
    estimates: Estimates
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
    """One figure of one subject over time, oldest first. baseline: what it was at the end of the site's
    survey, commissioned or first recorded day; None: it came later. entries: the baseline, and whatever
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
    row_of = {(load.code, load.subject): row for row, load in enumerate(loads.loads)}
    rows = [
        row_of[load.code, load.subject]
        for load in loads.of(loads.bearing.get(zone_id, ()))
        if codes is None or load.code in codes
    ]
    if not rows:
        return ()
    plant, rules = loads.plant, loads.evaluation.rules
    targets = Targets.of_rows(loads.evaluation, np.array(rows, np.int64))
    surveyed, commissioned = Site.objects.values_list("surveyed_on", "commissioned_on").get(pk=site_id)
    asked_step = [int(loads.members.step[0])]
    (baseline,) = baselines(plant, [surveyed], [commissioned], asked_step)
    asked: dict[str, Any] = {
        "asked_step": asked_step,
        "baselines": [baseline],
        "lookup": look_up,
        "anchoring": loads.anchoring,
    }
    kept = [_that_changed(of) for of in history(plant, targets, rules, **asked)]
    made_by = _made_by(loads, targets, kept, baseline)
    opens = np.array([limit_by_code(code).opens_findings for code in targets.code])
    is_past = targets.now_past.any(axis=0) & opens
    past = np.flatnonzero(is_past & (targets.code != BY_TIME))
    found = attribute(plant, targets.only(past), rules, **asked, find_crossings=crossings)
    subjects: list[Subject] = [
        (SubjectKind(kind), pk)
        for kind, pk in zip(targets.subject_kind.tolist(), targets.subject_id.tolist(), strict=True)
    ]
    named = [*chain.from_iterable(made_by), *(one for one in found if one is not None)]
    names = Names(subjects, others=(reference for one in named for reference in one.references()))
    lines = []
    for subject, code, entries, of in zip(subjects, targets.code, kept, made_by, strict=True):
        limit, name = limit_by_code(code).shown_in(loads.length_unit), names.of(subject)
        shown = _shown(entries, of, limit, name, names)
        lines.append(
            Line(
                subject=subject,
                name=name,
                limit=limit,
                surveyed=baseline.since is Since.SURVEY,
                baseline=shown[0] if entries and not entries[0].after_baseline else None,
                entries=shown,
                crossings=tuple(_crossings(shown, entries)) if limit.opens_findings else (),
                attribution=None,
            )
        )
    for k, one in zip(past.tolist(), found, strict=True):
        record = unattributed() if one is None else one.as_record()
        shown_now = as_shown(record, one, lines[k].limit, lines[k].name, names.texts)
        lines[k] = replace(lines[k], attribution=shown_now)
    for k in np.flatnonzero(is_past & (targets.code == BY_TIME)).tolist():
        due_on = DueTest.of_detail(int(loads.evaluation.detail[rows[k]])).due_on
        record = by_time(dt.date.fromordinal(due_on))
        shown_now = as_shown(record, None, lines[k].limit, lines[k].name, names.texts)
        lines[k] = replace(lines[k], attribution=shown_now)
    return tuple(lines)


def _made_by(
    loads: SiteLoads,
    targets: Targets,
    kept: Sequence[Sequence[HistoryEntry]],
    baseline: Baseline,
) -> list[list[Attribution]]:
    """By target, what made each of its entries, as an attribution: of a change like any other, or of what
    was found."""
    every, site_id = Scenes(loads.plant), loads.site_id
    scenes = [
        [every.at(SubjectKind(kind), pk, group, entry.step) for entry in entries]
        for kind, pk, group, entries in zip(
            targets.subject_kind.tolist(),
            targets.subject_id.tolist(),
            targets.group.tolist(),
            kept,
            strict=True,
        )
    ]
    change_sets = look_up(
        {(site_id, scene.step) for of in scenes for scene in of},
        {writer for of in scenes for scene in of for writer in scene.writers},
    )
    made_by: list[list[Attribution]] = []
    for entries, of_target in zip(kept, scenes, strict=True):
        made: list[Attribution] = []
        before = UNKNOWN
        for entry, scene in zip(entries, of_target, strict=True):
            change_set, last = authors_of(scene, site_id, change_sets)
            by_itself = last == change_set
            after = telling(entry.estimates)
            change = NamedChange(
                day=entry.day if entry.after_baseline else day_of(baseline.step),
                as_found=not entry.after_baseline,
                change_set=change_set,
                correction=last if by_itself else None,
                note=None if by_itself else last,
                changes=scene.changes,
                before=before,
                after=after,
            )
            made.append(
                Attribution(
                    named=change,
                    since=None,
                    until=None,
                    possible=False,
                    baseline=after,
                    baseline_day=day_of(max(baseline.step, 0)),
                    found=baseline.since,
                    in_service=baseline.begun,
                )
            )
            before = after
        made_by.append(made)
    return made_by


def _shown(
    entries: Sequence[HistoryEntry],
    made_by: Sequence[Attribution],
    limit: Limit,
    name: str,
    names: Names,
) -> tuple[Entry, ...]:
    shown = []
    for entry, made in zip(entries, made_by, strict=True):
        assert limit.rule is not None, "what is judged by no rule has no figure"
        shown.append(
            Entry(
                day=made.named.day,
                change_set=made.named.change_set,
                correction=made.named.correction or made.named.note,
                estimates=entry.estimates,
                verdict=_verdict(entry.estimates, limit.rule),
                what=what_was_done(made.named.changes, names.texts, limit.length_unit),
                sentence=sentence(made, limit, name, names.texts) + ".",
            )
        )
    return tuple(shown)


def _that_changed(entries: Sequence[HistoryEntry]) -> list[HistoryEntry]:
    """The last entry up to the baseline, which is what was found, and the later entries at which the figure
    or its limit changed."""
    found = [entry for entry in entries if not entry.after_baseline][-1:]
    for entry in entries:
        if entry.after_baseline and not (found and _alike(found[-1], entry)):
            found.append(entry)
    return found


def _alike(one: HistoryEntry, other: HistoryEntry) -> bool:
    return all(
        before.alike(after, relative=_SAME)
        for before, after in zip(one.estimates, other.estimates, strict=True)
    )


def _verdict(estimates: Estimates, rule: Rule) -> Verdict:
    low, likely, high = ([np.nan if one.value is None else one.value] for one in estimates)
    limits = [[np.nan if one.limit is None else one.limit] for one in estimates]
    overloaded, bounds = ([[getattr(one, name)] for one in estimates] for name in ("overloaded", "bound"))
    (verdict,) = judge(low, likely, high, limits, rule, overloaded, bounds)
    return Verdict(verdict)


def _crossings(shown: Sequence[Entry], entries: Sequence[HistoryEntry]) -> Iterator[Crossing]:
    was_past = False
    for entry, of in zip(shown, entries, strict=True):
        _, is_past, _ = of.past
        if is_past != was_past:
            yield Crossing(entry, is_past)
        was_past = is_past
