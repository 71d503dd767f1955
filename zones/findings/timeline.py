"""Figures over time: every step of a subject's group, evaluated in one batch.

Pure: a plant and targets in, arrays out. Never a bisection, since removals make a figure go down and up
again.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from zones.electrical.bands import HIGH, LIKELY, LOW, FloatArray, IntArray
from zones.electrical.calibration import Anchoring
from zones.electrical.evaluate import Evaluation, evaluate, subject_ids
from zones.electrical.figures import Problem
from zones.electrical.plant import FOREVER, BoolArray, Members, Plant, expand
from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Rule, past

CANNOT_COMPUTE = "cannot_compute"

OWN_ROWS = {
    SubjectKind.RUN: ("runs", "run_index"),
    SubjectKind.OUTPUT: ("outputs", "output_index"),
    SubjectKind.SUPPLY: ("supplies", "supply_index"),
    SubjectKind.AMPLIFIER: ("amplifiers", "amplifier_index"),
    SubjectKind.SWITCH: ("switches", "switch_index"),
    SubjectKind.PORT: ("ports", "port_index"),
    SubjectKind.ENDPOINT: ("endpoints", "endpoint_index"),
    SubjectKind.BLOCK: ("landings", "block_index"),
}
"""The table and column in which a subject's own rows are; of a block, its landings."""

# What ``Plant.steps_of_groups`` leaves out, since it changes no load, although these figures depend on it
_MORE_STEPS = {"reading_disagrees": "readings", "audio_with_dc": "zones"}


@dataclass(frozen=True)
class Targets:
    """What to follow: t pairs of a subject and a limit.

    code: (t,) names. at_least: (t,) True where the figure must not fall below the limit. subject_kind,
    subject_id, group: (t,). now_past: (3, t) whether the low, likely and high estimate is past at the asked
    step.
    """

    code: tuple[str, ...]
    at_least: BoolArray
    subject_kind: IntArray
    subject_id: IntArray
    group: IntArray
    now_past: BoolArray

    def __len__(self) -> int:
        return len(self.code)

    @classmethod
    def of_rows(cls, evaluation: Evaluation, rows: IntArray) -> Targets:
        """The subjects and limits of some rows of an evaluation."""
        rules = [evaluation.rules[k] for k in evaluation.rule[rows]]
        return cls(
            code=tuple(rule.code for rule in rules),
            at_least=np.array([rule.at_least for rule in rules], np.bool_),
            subject_kind=evaluation.subject_kind[rows],
            subject_id=evaluation.subject_id[rows],
            group=evaluation.group[rows],
            now_past=past_bands(evaluation)[:, rows],
        )

    @classmethod
    def of_problems(cls, plant: Plant, problems: Sequence[Problem]) -> Targets:
        """What cannot be computed, as a figure of 1 that must not exceed 0. ``problems``: each subject
        once."""
        count = len(problems)
        return cls(
            code=(CANNOT_COMPUTE,) * count,
            at_least=np.zeros(count, np.bool_),
            subject_kind=np.array([p.subject_kind for p in problems], np.int64),
            subject_id=np.array([problem_subject(plant, p) for p in problems], np.int64),
            group=np.array([_group_of(plant, p) for p in problems], np.int64),
            now_past=np.ones((3, count), np.bool_),
        )

    def only(self, chosen: IntArray) -> Targets:
        """Some of them. chosen: (k,) positions."""
        return Targets(
            tuple(self.code[k] for k in chosen),
            *(
                getattr(self, name)[..., chosen]
                for name in ("at_least", "subject_kind", "subject_id", "group", "now_past")
            ),
        )

    def joined(self, other: Targets) -> Targets:
        return Targets(
            self.code + other.code,
            *(
                np.concatenate([getattr(self, name), getattr(other, name)], axis=-1)
                for name in ("at_least", "subject_kind", "subject_id", "group", "now_past")
            ),
        )


@dataclass(frozen=True)
class Series:
    """The figures of t targets at every step of their groups up to the asked one; n entries.

    offsets: (t+1,) the entries of target i are ``offsets[i]:offsets[i+1]``, in order of time. step: (n,).
    figures: (3, n) low, likely, high [unit of the limit], NaN where the target has no figure then. limit:
    (n,). past: (3, n).
    """

    offsets: IntArray
    step: IntArray
    figures: FloatArray
    limit: FloatArray
    past: BoolArray

    def of(self, target: int) -> slice:
        return slice(int(self.offsets[target]), int(self.offsets[target + 1]))


def past_bands(evaluation: Evaluation) -> BoolArray:
    """(3, n) whether the low, likely and high estimate of each row is past its limit.

    An estimate that is not known is taken no kinder than the kinder ones: the highest may be NaN (one rating
    of many is missing) where the likely one is past already.
    """
    at_least = np.array([rule.at_least for rule in evaluation.rules], np.bool_)[evaluation.rule]
    return _past(evaluation.low, evaluation.likely, evaluation.high, evaluation.limit, at_least)


def _past(
    low: FloatArray, likely: FloatArray, high: FloatArray, limit: FloatArray, at_least: BoolArray
) -> BoolArray:
    out = np.stack(
        [
            np.where(at_least, past(f, limit, at_least=True), past(f, limit, at_least=False))
            for f in (low, likely, high)
        ]
    )
    out[LIKELY] |= np.isnan(likely) & out[LOW]
    out[HIGH] |= np.isnan(high) & out[LIKELY]
    return out


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

    wanted = set(targets.code)
    used = tuple(rule for rule in rules if rule.code in wanted)
    evaluation = evaluate(plant, Members.of_groups(plant, groups[at], step), used, anchoring=anchoring)
    figures = np.full((3, int(offsets[-1])), np.nan)
    limit = np.full(int(offsets[-1]), np.nan)
    rows, owner = _rows_of_targets(targets, used, evaluation, at, position)
    entry = offsets[owner] + evaluation.member[rows] - first[position[owner]]
    figures[:, entry] = np.stack([evaluation.low[rows], evaluation.likely[rows], evaluation.high[rows]])
    limit[entry] = evaluation.limit[rows]
    step_of_entry = step[member_of_entry]
    _enter_problems(
        plant, targets, evaluation.problems, at, position, first, offsets, step_of_entry, figures, limit
    )

    beyond = _past(figures[LOW], figures[LIKELY], figures[HIGH], limit, np.repeat(targets.at_least, length))
    some = length > 0
    beyond[:, offsets[1:][some] - 1] = targets.now_past[:, some]
    return Series(offsets, step_of_entry, figures, limit, beyond)


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
    plant: Plant, groups: IntArray, position: IntArray, codes: Sequence[str]
) -> tuple[IntArray, IntArray]:
    """(position in groups, step), each once and in order, with those that only some figures depend on."""
    at, step = (
        plant.steps_of_groups(groups) if len(groups) else (np.zeros(0, np.int64), np.zeros(0, np.int64))
    )
    more = [np.column_stack([at, step])]
    for code, name in _MORE_STEPS.items():
        chosen = np.unique(position[[k for k, c in enumerate(codes) if c == code]]).astype(np.int64)
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
    pairs = np.concatenate(more)
    pairs = np.unique(pairs[pairs[:, 1] != FOREVER], axis=0)
    return pairs[:, 0], pairs[:, 1]


def _rows_of_targets(
    targets: Targets, rules: Sequence[Rule], evaluation: Evaluation, at: IntArray, position: IntArray
) -> tuple[IntArray, IntArray]:
    """Rows of an evaluation that are figures of a target, and whose. Of several for one target and member
    (two endpoints recorded on one port) the harshest comes last."""
    number = {rule.code: k for k, rule in enumerate(rules)}
    rule = np.array([number.get(code, -1) for code in targets.code], np.int64)
    asked = np.column_stack([position, rule, targets.subject_kind, targets.subject_id])
    given = np.column_stack(
        [at[evaluation.member], evaluation.rule, evaluation.subject_kind, evaluation.subject_id]
    )
    _, which = np.unique(np.concatenate([asked, given]), axis=0, return_inverse=True)
    which = which.ravel()
    target_of = np.full(int(which.max(initial=-1)) + 1, -1)
    target_of[which[: len(asked)]] = np.arange(len(asked))
    owner = target_of[which[len(asked) :]]
    rows = np.flatnonzero(owner >= 0)
    owner = owner[rows]
    sign = np.where(targets.at_least[owner], -1.0, 1.0)
    excess = sign * (evaluation.likely[rows] - evaluation.limit[rows])
    order = np.argsort(np.nan_to_num(excess, nan=-np.inf), kind="stable")
    return rows[order], owner[order]


def _enter_problems(
    plant: Plant,
    targets: Targets,
    problems: Iterable[Problem],
    at: IntArray,
    position: IntArray,
    first: IntArray,
    offsets: IntArray,
    step: IntArray,
    figures: FloatArray,
    limit: FloatArray,
) -> None:
    wanted = {
        (int(position[k]), int(targets.subject_kind[k]), int(targets.subject_id[k])): k
        for k, code in enumerate(targets.code)
        if code == CANNOT_COMPUTE
    }
    if not wanted:
        return
    for (_, kind, subject_id), k in wanted.items():
        entries = np.arange(offsets[k], offsets[k + 1])
        there = entries[_stands(plant, SubjectKind(kind), subject_id, step[entries])]
        figures[:, there], limit[there] = 0.0, 0.0
    for problem in problems:
        group = int(at[problem.member])
        target = wanted.get((group, int(problem.subject_kind), problem_subject(plant, problem)))
        if target is not None:
            figures[:, offsets[target] + problem.member - first[group]] = 1.0
