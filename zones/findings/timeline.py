"""Figures over time: every step of a subject's group, evaluated in one batch.

Pure: a plant and targets in, arrays out. Never a bisection, since removals make a figure go down and up
again.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from zones.electrical.bands import HIGH, LIKELY, LOW, FloatArray, IntArray
from zones.electrical.calibration import Anchoring
from zones.electrical.estimates import FLAGS, LIMITS, WORDS, Estimates, estimates_of, of_bits
from zones.electrical.evaluate import Evaluation, evaluate, subject_ids
from zones.electrical.figures import Problem
from zones.electrical.plant import FOREVER, TABLE_OF_KIND, BoolArray, Members, Plant, expand
from zones.electrical.proofs import steps_of_proofs
from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Rule, past

CANNOT_COMPUTE = "cannot_compute"

OWN_ROWS = {
    **{SubjectKind[kind.upper()]: (table, f"{kind}_index") for kind, table in TABLE_OF_KIND.items()},
    SubjectKind.BLOCK: ("landings", "block_index"),
}
"""The table and column in which a subject's own rows are; of a block, its landings."""

# What ``Plant.steps_of_groups`` leaves out, since it changes no load, although these figures depend on it
_MORE_STEPS = {"reading_disagrees": "readings", "voltage_disagrees": "readings", "audio_with_dc": "zones"}


@dataclass(frozen=True)
class Targets:
    """What to follow: t pairs of a subject and a limit.

    code: (t,) names. at_least: (t,) True where the figure must not fall below the limit. subject_kind,
    subject_id, group: (t,). now_past: (3, t) whether the low, likely and high estimate is past at the asked
    step.
    """

    code: NDArray[np.object_]
    at_least: BoolArray
    subject_kind: IntArray
    subject_id: IntArray
    group: IntArray
    now_past: BoolArray

    def __len__(self) -> int:
        return len(self.code)

    @classmethod
    def of_rows(cls, evaluation: Evaluation, rows: IntArray | slice = slice(None)) -> Targets:
        """The subjects and limits of some rows of an evaluation; of all where none are given."""
        rule = evaluation.rule[rows]
        at_least = np.array([rule.at_least for rule in evaluation.rules], np.bool_)[rule]
        return cls(
            code=np.array([rule.code for rule in evaluation.rules], np.object_)[rule],
            at_least=at_least,
            subject_kind=evaluation.subject_kind[rows],
            subject_id=evaluation.subject_id[rows],
            group=evaluation.group[rows],
            now_past=past_of(values_of(evaluation)[:, rows], at_least),
        )

    @classmethod
    def of_problems(cls, plant: Plant, problems: Sequence[Problem]) -> Targets:
        """What cannot be computed, as a figure of 1 that must not exceed 0. ``problems``: each subject
        once."""
        count = len(problems)
        return cls(
            code=np.full(count, CANNOT_COMPUTE, np.object_),
            at_least=np.zeros(count, np.bool_),
            subject_kind=np.array([p.subject_kind for p in problems], np.int64),
            subject_id=np.array([problem_subject(plant, p) for p in problems], np.int64),
            group=np.array([_group_of(plant, p) for p in problems], np.int64),
            now_past=np.ones((3, count), np.bool_),
        )

    def only(self, chosen: IntArray) -> Targets:
        """Some of them. chosen: (k,) positions."""
        return Targets(*[getattr(self, each.name)[..., chosen] for each in fields(self)])

    def joined(self, other: Targets) -> Targets:
        columns = [(getattr(self, each.name), getattr(other, each.name)) for each in fields(self)]
        return Targets(*[np.concatenate(both, axis=-1) for both in columns])


@dataclass(frozen=True)
class Series:
    """The figures of t targets at every step of their groups up to the asked one; n entries.

    offsets: (t+1,) the entries of target i are ``offsets[i]:offsets[i+1]``, in order of time. step: (n,).
    figures, limits: (3, n) low, likely, high, and the limit of each [unit of the limit], NaN where the target
    has none then. flags: (2, n) ``bits`` of the estimates that are overloaded, and of those that are bounds.
    past: (3, n).
    """

    offsets: IntArray
    step: IntArray
    figures: FloatArray
    limits: FloatArray
    flags: IntArray
    past: BoolArray

    def of(self, target: int) -> slice:
        return slice(int(self.offsets[target]), int(self.offsets[target + 1]))

    def is_there(self, entry: int) -> bool:
        """Whether the target has a figure at an entry."""
        return bool(self.flags[0, entry]) or not np.isnan(self.figures[:, entry]).all()

    def estimates(self, entry: int) -> Estimates:
        """The figure at an entry, at the place that decides it."""
        numbers = [*self.figures[:, entry].tolist(), *self.limits[:, entry].tolist()]
        low, likely, high, *limits = (one if math.isfinite(one) else None for one in numbers)
        low_limit, limit, high_limit = limits
        overloaded, bounds = self.flags[:, entry].tolist()
        return estimates_of(
            low, likely, high, low_limit, limit, high_limit, None, None, None, overloaded, bounds
        )


_VALUES = (*WORDS, *LIMITS, *FLAGS)


def values_of(evaluation: Evaluation) -> FloatArray:
    """(8, n) low, likely, high; the limit of each; which are overloaded, and which are bounds."""
    return np.stack([getattr(evaluation, name) for name in _VALUES]).astype(float)


def past_of(values: FloatArray, at_least: BoolArray) -> BoolArray:
    """(3, n) whether the low, likely and high estimate of each row is past its limit.

    values: as of ``values_of``. An estimate that is not known is past where a lower one is: the high one may
    be NaN (one rating of many is missing) where the likely one is past already.
    """
    figures, sign = values[:3], np.where(at_least, -1.0, 1.0)
    out = past(sign * figures, sign * values[3:6], at_least=False) | of_bits(_flags(values)[0])
    out[LIKELY] |= np.isnan(figures[LIKELY]) & out[LOW]
    out[HIGH] |= np.isnan(figures[HIGH]) & out[LIKELY]
    return out


def _flags(values: FloatArray) -> IntArray:
    return np.nan_to_num(values[6:]).astype(np.int64)


def follow(
    plant: Plant,
    targets: Targets,
    rules: Sequence[Rule],
    asked_step: Sequence[int],
    *,
    anchoring: Anchoring | None = None,
) -> Series:
    """Evaluate every step of every target's group up to the asked one, all of them in one batch.

    asked_step: (s,) by site of the plant. The last entry of a target stands for the asked step itself.
    """
    groups, position = np.unique(targets.group, return_inverse=True)
    at, step = _steps(plant, groups, position, targets.code)
    kept = step <= np.asarray(asked_step, np.int64)[plant.group_site[groups[at]]]
    at, step = at[kept], step[kept]
    first = np.searchsorted(at, np.arange(len(groups) + 1))
    length = (first[1:] - first[:-1])[position]
    offsets = np.concatenate([[0], np.cumsum(length)]).astype(np.int64)
    _, member_of_entry = expand(first[position], first[position + 1])
    step_of_entry = step[member_of_entry]

    used = [rule for rule in rules if rule.code in targets.code]
    evaluation = evaluate(plant, Members.of_groups(plant, groups[at], step), used, anchoring=anchoring)
    found = np.stack([evaluation.member, evaluation.rule, evaluation.subject_kind, evaluation.subject_id])
    values = values_of(evaluation)
    entered = np.full((len(values), int(offsets[-1])), np.nan)
    cannot_compute = np.flatnonzero(targets.code == CANNOT_COMPUTE)
    if len(cannot_compute):
        for k in cannot_compute:
            of_target = slice(offsets[k], offsets[k + 1])
            kind, subject_id = SubjectKind(int(targets.subject_kind[k])), int(targets.subject_id[k])
            entered[:, of_target][:, _stands(plant, kind, subject_id, step_of_entry[of_target])] = 0.0
        problems = [(p.member, -1, p.subject_kind, problem_subject(plant, p)) for p in evaluation.problems]
        found = np.hstack([found, np.array(problems, np.int64).reshape(-1, 4).T])
        one = np.array([[1.0, 1.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0]]).T
        values = np.hstack([values, np.tile(one, len(problems))])
    rows, owner = _rows_of_targets(targets, used, position, np.stack([at[found[0]], *found[1:]]), values)
    entered[:, offsets[owner] + found[0, rows] - first[position[owner]]] = values[:, rows]
    beyond = past_of(entered, np.repeat(targets.at_least, length))
    some = length > 0
    beyond[:, offsets[1:][some] - 1] = targets.now_past[:, some]
    return Series(offsets, step_of_entry, entered[:3], entered[3:6], _flags(entered), beyond)


def problem_subject(plant: Plant, problem: Problem) -> int:
    """The record's id of what cannot be computed."""
    return int(subject_ids(plant, problem.subject_kind)[problem.subject])


def _stands(plant: Plant, kind: SubjectKind, subject_id: int, step: IntArray) -> BoolArray:
    """(n,) whether a subject stands at each step."""
    name, column = OWN_ROWS[kind]
    table = plant.tables[name]
    own = getattr(table, column) == np.flatnonzero(subject_ids(plant, kind) == subject_id)[0]
    stands: BoolArray = (step >= table.begin[own].min()) & (step < table.end[own].max())
    return stands


def _group_of(plant: Plant, problem: Problem) -> int:
    name, column = OWN_ROWS[problem.subject_kind]
    table = plant.tables[name]
    return int(table.group[np.flatnonzero(getattr(table, column) == problem.subject)[0]])


def _steps(
    plant: Plant, groups: IntArray, position: IntArray, codes: NDArray[np.object_]
) -> tuple[IntArray, IntArray]:
    """(position in groups, step), each once and in order, with those that only some figures depend on."""
    more = [np.column_stack(plant.steps_of_groups(groups))]
    for code, name in _MORE_STEPS.items():
        chosen = np.unique(position[codes == code])
        if not len(chosen):
            continue
        offsets = plant.group_offsets[name]
        site = plant.group_site[groups[chosen]]
        site_wide = name == "zones"
        start = plant.site_groups[site] if site_wide else groups[chosen]
        stop = plant.site_groups[site + 1] if site_wide else groups[chosen] + 1
        owner, row = expand(offsets[start], offsets[stop])
        table = plant.tables[name]
        more += [np.column_stack([chosen[owner], edge[row]]) for edge in (table.begin, table.end)]
    more += _steps_of_proofs(plant, groups, np.unique(position[codes == "in_service_unproven"]))
    pairs = np.concatenate(more)
    pairs = np.unique(pairs[pairs[:, 1] != FOREVER], axis=0)
    return pairs[:, 0], pairs[:, 1]


def _steps_of_proofs(plant: Plant, groups: IntArray, chosen: IntArray) -> list[IntArray]:
    """(position in groups, step) of some groups at which a proof of a run of theirs changes."""
    place = np.full(len(plant.group_site), -1)
    place[groups[chosen]] = chosen
    group_of = dict(zip(plant.runs.run_index.tolist(), plant.runs.group.tolist(), strict=True))
    runs = np.unique(plant.runs.run_index[place[plant.runs.group] >= 0])
    if not len(runs):
        return []
    found = [(place[group_of[run]], step) for run, step in steps_of_proofs(plant, runs)]
    return [np.array(found, np.int64).reshape(-1, 2)]


def _rows_of_targets(
    targets: Targets, rules: Sequence[Rule], position: IntArray, found: IntArray, values: FloatArray
) -> tuple[IntArray, IntArray]:
    """Rows of what was found that are figures of a target, and whose. Of several for one target and member
    (two endpoints recorded on one port) the worst comes last.

    found: (4, n) position of the group, number of the rule (−1: cannot be computed), subject kind and id.
    values: as of ``values_of``.
    """
    number = {rule.code: k for k, rule in enumerate(rules)}
    rule = np.array([number.get(code, -1) for code in targets.code], np.int64)
    asked = np.stack([position, rule, targets.subject_kind, targets.subject_id])
    _, which = np.unique(np.hstack([asked, found]), axis=1, return_inverse=True)
    which = which.ravel()
    target_of = np.full(int(which.max(initial=-1)) + 1, -1)
    target_of[which[: len(targets.code)]] = np.arange(len(targets.code))
    owner = target_of[which[len(targets.code) :]]
    rows = np.flatnonzero(owner >= 0)
    owner = owner[rows]
    order = np.argsort(excess_of(values[:, rows], targets.at_least[owner]), kind="stable")
    return rows[order], owner[order]


def excess_of(values: FloatArray, at_least: BoolArray) -> FloatArray:
    """(n,) by how much the likely estimate of each row is beyond its limit: the larger, the worse. values: as
    of ``values_of``."""
    excess: FloatArray = np.where(at_least, -1.0, 1.0) * (values[LIKELY] - values[3 + LIKELY])
    excess[of_bits(_flags(values)[0])[LIKELY]] = np.inf
    return np.where(np.isnan(excess), -np.inf, excess)
