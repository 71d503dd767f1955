"""Which change pushed a figure past its limit.

For every subject and limit that is past in some estimate at the asked step: the figure at the baseline, after
each later change set, and the last upward crossing that still stands. The *standing step* of an estimate is
the first of its unbroken past steps up to the asked one; X, L and Z are those of the high, likely and low
estimate. One change is named (L) if X = L and (Z = L or low is not past); else "between X and Z" (L for a
missing Z; X alone where nothing but the high estimate is past). A standing step not after the baseline of
the site (``baselines``) is "as found"; a change that later builds something past its limit is named like
one that adds to it.

A correction of the record that made the crossing (``corrections``) is named beside the change; one that only
rewrote what changed there is a note.

Pure: no database here. ``Lookup`` reads the change sets, once for everything, and ``find_crossings`` the
corrections.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from operator import attrgetter
from typing import TYPE_CHECKING

import numpy as np

from sites.changes.steps import day_of
from zones.electrical.bands import HIGH, LIKELY, LOW
from zones.electrical.calibration import Anchoring
from zones.electrical.estimates import UNKNOWN, Estimates, telling
from zones.electrical.plant import Plant
from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Rule

from .baselines import Baseline
from .corrections import NONE, Corrected, FindCrossings, of_nothing
from .named_changes import Attribution, NamedChange
from .timeline import Series, Targets, follow
from .upstream import Scene, Scenes

if TYPE_CHECKING:
    from zones.plant.change_sets import ChangeSetInfo, ChangeSets


Lookup = Callable[[Collection[tuple[int, int]], Collection[int]], "ChangeSets"]
"""Function of pairs (site id, step) and of ids of change sets; returns those change sets."""


@dataclass(frozen=True)
class HistoryEntry:
    """A subject's figure from a step on. past: of the low, likely and high estimate."""

    step: int
    day: dt.date
    change_set: ChangeSetInfo | None
    estimates: Estimates
    past: tuple[bool, bool, bool]
    after_baseline: bool


def attribute(
    plant: Plant,
    targets: Targets,
    rules: Sequence[Rule],
    *,
    asked_step: Sequence[int],
    baselines: Sequence[Baseline],
    lookup: Lookup,
    anchoring: Anchoring | None = None,
    find_crossings: FindCrossings = of_nothing,
) -> list[Attribution | None]:
    """By target, what pushed it past its limit; None where no step of its group shows it past.

    targets: pairs that are past in some estimate at the asked step. asked_step, baselines: by site of the
    plant. One call of ``evaluate`` for all steps of all targets, and one of ``lookup``.
    """
    if not len(targets.code):
        return []
    series = follow(plant, targets, rules, asked_step, anchoring=anchoring)
    site = plant.group_site[targets.group]
    every_target = range(len(targets.code))
    standing = [_standing_entries(series, k) for k in every_target]
    found_at = [
        _named_steps(series, standing[k], baselines[site[k]], asked_step[site[k]]) for k in every_target
    ]
    found = find_crossings(plant, targets, rules, np.array(found_at, np.int64).T)
    every = Scenes(plant)
    # by entry at which some estimate of the target became past, what changed there
    scenes = [
        {
            entry: every.at(
                SubjectKind(int(targets.subject_kind[k])),
                int(targets.subject_id[k]),
                int(targets.group[k]),
                int(series.step[entry]),
            )
            for entry in entries
            if entry is not None
        }
        for k, entries in enumerate(standing)
    ]
    change_sets = lookup(
        {(int(plant.site_id[site[k]]), scene.step) for k, of in enumerate(scenes) for scene in of.values()},
        {writer for of in scenes for scene in of.values() for writer in scene.writers}
        | {made for made in found.made.ravel().tolist() if made != NONE},
    )
    return [
        _attribution(
            series,
            series.of(k),
            standing[k],
            baselines[site[k]],
            scenes[k],
            int(plant.site_id[site[k]]),
            change_sets,
            _Corrections(found.made[:, k].tolist(), found.said),
        )
        for k in range(len(targets.code))
    ]


def history(
    plant: Plant,
    targets: Targets,
    rules: Sequence[Rule],
    *,
    asked_step: Sequence[int],
    baselines: Sequence[Baseline],
    lookup: Lookup,
    anchoring: Anchoring | None = None,
) -> list[list[HistoryEntry]]:
    """By target, its figure after each change set of its group up to the asked step, the first one included.

    As ``attribute``, but whether a target is past or not; steps at which it has no figure are left out.
    """
    if not len(targets.code):
        return []
    series = follow(plant, targets, rules, asked_step, anchoring=anchoring)
    baseline = [baselines[site].step for site in plant.group_site[targets.group]]
    site_of = [int(plant.site_id[s]) for s in plant.group_site[targets.group]]
    change_sets = lookup(
        {(site_of[k], int(step)) for k in range(len(targets.code)) for step in series.step[series.of(k)]}, ()
    )
    return [
        [
            HistoryEntry(
                step=int(series.step[e]),
                day=day_of(int(series.step[e])),
                change_set=change_sets.by_step.get((site_of[k], int(series.step[e]))),
                estimates=series.estimates(e),
                past=tuple(series.past[:, e].tolist()),
                after_baseline=int(series.step[e]) > baseline[k],
            )
            for e in range(series.of(k).start, series.of(k).stop)
            if series.is_there(e)
        ]
        for k in range(len(targets.code))
    ]


@dataclass(frozen=True)
class _Corrections:
    """made: the change set of the correction that made the low, likely and high estimate past; said: what
    each was about."""

    made: Sequence[int]
    said: Mapping[int, Corrected]


def _named_steps(
    series: Series, standing: Sequence[int | None], baseline: Baseline, asked_step: int
) -> list[int]:
    """For the low, likely and high estimate, the step at which a correction may have made it past: its
    standing step, or the baseline where that is not later; −1: it is not past."""
    return [
        NONE if entry is None else max(int(series.step[entry]), min(baseline.step, asked_step))
        for entry in standing
    ]


def _standing_entries(series: Series, target: int) -> list[int | None]:
    """The entries of the standing steps of the low, likely and high estimate; None: not past."""
    span = series.of(target)
    # by estimate, how many entries at the end are past without a break
    unbroken = np.logical_and.accumulate(series.past[:, span][:, ::-1], axis=1).sum(axis=1)
    return [span.stop - count if count else None for count in unbroken.tolist()]


def _attribution(
    series: Series,
    span: slice,
    standing: Sequence[int | None],
    since_when: Baseline,
    scenes: dict[int, Scene],
    site_id: int,
    change_sets: ChangeSets,
    corrections: _Corrections,
) -> Attribution | None:
    """span: the entries of the target. standing: as ``_standing_entries`` returns them. scenes: by those
    entries."""
    low, likely, high = standing
    band = next((k for k in (LIKELY, HIGH, LOW) if standing[k] is not None), LIKELY)
    named = low if likely is None and high is None else high if likely is None else likely
    if named is None:
        return None
    baseline_step = since_when.step
    until_baseline = int((series.step[span] <= baseline_step).sum())
    baseline = telling(series.estimates(span.start + until_baseline - 1)) if until_baseline else UNKNOWN
    when: dict[int | None, int | None] = {None: None}
    # all that happened up to the baseline is one thing: as found
    when |= {entry: max(scene.step, baseline_step) for entry, scene in scenes.items()}

    def change(entry: int, band: int) -> NamedChange:
        scene = scenes[entry]
        as_found = scene.step <= baseline_step
        change_set, last = authors_of(scene, site_id, change_sets)
        correction = change_sets.by_id.get(corrections.made[band])
        note = None if last in (correction, change_set) else last
        has_before = entry > span.start and not as_found
        return NamedChange(
            day=day_of(max(scene.step, baseline_step)),
            as_found=as_found,
            change_set=change_set,
            correction=correction,
            corrected=corrections.said.get(corrections.made[band]),
            note=note,
            noted=None if note is None else corrections.said.get(note.id),
            changes=scene.changes,
            before=telling(series.estimates(entry - 1)) if has_before else UNKNOWN,
            after=baseline if as_found else telling(series.estimates(entry)),
        )

    one_change = when[high] == when[likely] and (low is None or when[low] == when[likely])
    since = until = None
    if likely is not None and not one_change:
        since = change(likely, LIKELY) if high is None else change(high, HIGH)
        until = change(likely, LIKELY) if low is None else change(low, LOW)
    return Attribution(
        named=change(named, band),
        since=since,
        until=until,
        possible=likely is None and low is None,
        baseline=baseline,
        baseline_day=day_of(baseline_step),
        found=since_when.since,
        in_service=since_when.begun,
    )


_WHEN_WRITTEN = attrgetter("recorded_at", "id")
CORRECTIONS = ("correction", "catalogue")
"""Kinds of change sets that correct the record."""


def authors_of(
    scene: Scene, site_id: int, change_sets: ChangeSets
) -> tuple[ChangeSetInfo | None, ChangeSetInfo | None]:
    """The change set behind what changed, and the correction that last wrote it, if one did."""
    original = change_sets.by_step.get((site_id, scene.step))
    wrote = [change_sets.by_id[k] for k in scene.writers if k in change_sets.by_id]
    if original is None and wrote:  # a reading's day has no change set of its own: the one that wrote it down
        original = min(wrote, key=_WHEN_WRITTEN)
    last = max([*wrote, *([original] if original else [])], key=_WHEN_WRITTEN, default=None)
    return original, last if last is not None and last.kind in CORRECTIONS else None
