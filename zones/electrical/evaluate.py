"""``evaluate(plant, members)``: the one computation behind everything the service says about a load."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .amplified import evaluate_lines
from .audio import evaluate_audio
from .bands import FloatArray, IntArray
from .calibration import Anchoring, anchor
from .figures import FigureBlock, Problem
from .network_power import evaluate_network_power
from .plant import Members, Plant
from .point_loads import point_loads
from .self_amplified import evaluate_dc
from .subjects import SubjectKind
from .terminations import evaluate_terminations
from .verdicts import Rule, judge
from .wiring import wire

SOLVER_VERSION = 2
"""Kept with every figure: raise it when a formula changes, so that the fleet is recomputed and told so."""


@dataclass(frozen=True)
class Evaluation:
    """Figures and verdicts of a batch, one row a (member, subject, limit); n rows.

    member: (n,) number of the member. rule: (n,) position in ``rules``. subject_kind, subject_id: (n,).
    group: (n,) of the plant, for asking again about other days. low, likely, high, limit: (n,) [unit of the
    limit]; NaN not known. verdict: (n,) of ``Verdict``. detail: (n,) id of the point, row or reading that
    decides, −1 none. supported: (n,) share of the load that rests on measured or marked data. problems: what
    could not be computed, and why.
    """

    rules: tuple[Rule, ...]
    member: IntArray
    rule: IntArray
    subject_kind: IntArray
    subject_id: IntArray
    group: IntArray
    low: FloatArray
    likely: FloatArray
    high: FloatArray
    limit: FloatArray
    verdict: IntArray
    detail: IntArray
    supported: FloatArray
    problems: tuple[Problem, ...]

    def __len__(self) -> int:
        return len(self.member)


def evaluate(
    plant: Plant, members: Members, rules: Sequence[Rule], *, anchoring: Anchoring | None = None
) -> Evaluation:
    """Figures and verdicts of every member, low, likely and high in one batch.

    plant: the snapshot. members: (m,) what to evaluate, as of which step. rules: the limits to judge by;
    figures without a rule are left out. anchoring: what ``anchor(plant, point_loads(plant))`` gave, to reuse
    it between calls on the same plant. Never raises for what a record may hold: an infeasible network is a
    figure, an impossible one a ``Problem``.
    """
    anchored = anchoring or anchor(plant, point_loads(plant))
    loads = anchored.loads
    wiring = wire(plant, members)
    blocks, problems = evaluate_dc(plant, members, wiring, loads)
    blocks += evaluate_audio(plant, members, wiring, loads)
    blocks += evaluate_lines(plant, members, wiring, loads)
    blocks += evaluate_network_power(plant, members)
    blocks += evaluate_terminations(plant, members, wiring)
    blocks.append(anchored.disagreements(plant, members))
    problems += [
        Problem(
            int(wiring.run_member[k]),
            SubjectKind.RUN,
            int(plant.runs.run_index[wiring.run_row[k]]),
            "a point hangs on a point that is not there on this day",
        )
        for k in np.flatnonzero(wiring.orphaned)
    ]
    return _judge(plant, tuple(rules), blocks, problems)


def subject_ids(plant: Plant, kind: SubjectKind) -> IntArray:
    """The record's ids of the subjects of a kind, by dense index."""
    ids: IntArray = {
        SubjectKind.RUN: plant.run_id,
        SubjectKind.OUTPUT: plant.output_id,
        SubjectKind.SUPPLY: plant.supply_id,
        SubjectKind.AMPLIFIER: plant.amplifier_id,
        SubjectKind.SWITCH: plant.switch_id,
        SubjectKind.PORT: plant.port_id,
        SubjectKind.ENDPOINT: plant.endpoint_id,
        SubjectKind.BLOCK: plant.block_id,
        SubjectKind.SITE: plant.site_id,
    }[kind]
    return ids


def _judge(
    plant: Plant, rules: tuple[Rule, ...], blocks: list[FigureBlock], problems: list[Problem]
) -> Evaluation:
    number = {rule.code: i for i, rule in enumerate(rules)}
    judged = [(number[b.code], b) for b in blocks if b.code in number and len(b.member)]
    ints, floats = np.zeros(0, np.int64), np.zeros(0)

    def joined(parts: list[IntArray]) -> IntArray:
        return np.concatenate([ints, *parts])

    def joined_floats(parts: list[FloatArray]) -> FloatArray:
        return np.concatenate([floats, *parts])

    return Evaluation(
        rules=rules,
        member=joined([b.member for _, b in judged]),
        rule=joined([np.full(len(b.member), i) for i, b in judged]),
        subject_kind=joined([np.full(len(b.member), int(b.subject_kind)) for _, b in judged]),
        subject_id=joined([subject_ids(plant, b.subject_kind)[b.subject] for _, b in judged]),
        group=joined([b.group for _, b in judged]),
        low=joined_floats([b.low for _, b in judged]),
        likely=joined_floats([b.likely for _, b in judged]),
        high=joined_floats([b.high for _, b in judged]),
        limit=joined_floats([b.limit for _, b in judged]),
        verdict=joined(
            [judge(b.low, b.likely, b.high, b.limit, rules[i]).astype(np.int64) for i, b in judged]
        ),
        detail=joined([b.detail for _, b in judged]),
        supported=joined_floats([b.supported for _, b in judged]),
        problems=tuple(problems),
    )
