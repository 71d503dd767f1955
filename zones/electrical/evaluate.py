"""``evaluate(plant, members)``: the computation of every figure and verdict in the service."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from operator import attrgetter

import numpy as np

from .audio_lines import AUDIO_CODES, LINE_CODES, evaluate_audio, evaluate_lines
from .bands import FloatArray, IntArray
from .calibration import DISAGREEMENT_CODES, Anchoring, anchor
from .estimates import COLUMNS, Estimates, bits, estimates_of
from .figures import FigureBlock, Problem
from .network_power import NETWORK_POWER_CODES, evaluate_network_power
from .plant import Members, Plant
from .point_loads import point_loads
from .proofs import PROOF_CODES, evaluate_proofs
from .self_amplified import DC_CODES, evaluate_dc
from .subjects import SubjectKind
from .terminations import TERMINATION_CODES, evaluate_terminations
from .verdicts import Rule, judge
from .wiring import wire

SOLVER_VERSION = 3
"""Stored with every figure. Raise it when a formula changes: then the fleet is recomputed and notified."""


@dataclass(frozen=True)
class Evaluation:
    """Figures and verdicts of a batch: n rows, one a (member, subject, limit).

    member: (n,) number of the member. rule: (n,) position in ``rules``. subject_kind, subject_id: (n,).
    group: (n,) of the plant, to evaluate it again on other days. low, likely, high: (n,) [unit of the limit],
    NaN unknown. limit: (n,) that of the likely estimate, and detail: (n,) id of the point, row or reading
    that decides it, −1 none; low_limit, high_limit, low_detail, high_detail: those of the other estimates,
    which may be decided elsewhere. overloaded: (n,) ``bits`` of the estimates that have no stable solution,
    so no number, and are past. bounds: (n,) ``bits`` of those whose true figure may be harsher. verdict: (n,)
    of ``Verdict``. supported: (n,) share of the load that rests on measured or marked data. problems: what
    cannot be computed, and why.
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
    low_limit: FloatArray
    limit: FloatArray
    high_limit: FloatArray
    low_detail: IntArray
    detail: IntArray
    high_detail: IntArray
    overloaded: IntArray
    bounds: IntArray
    verdict: IntArray
    supported: FloatArray
    problems: tuple[Problem, ...]

    def __len__(self) -> int:
        return len(self.member)

    def estimates(self, rows: IntArray | slice = slice(None)) -> list[Estimates]:
        """The estimates of some rows, or of all; what is not known, or without end, is None."""
        columns = []
        for name in COLUMNS:
            values = getattr(self, name)[rows]
            known = values.astype(np.object_)
            known[~np.isfinite(values) if values.dtype.kind == "f" else values < 0] = None
            columns.append(known.tolist())
        return [estimates_of(*row) for row in zip(*columns, strict=True)]


def evaluate(
    plant: Plant, members: Members, rules: Sequence[Rule], *, anchoring: Anchoring | None = None
) -> Evaluation:
    """Figures and verdicts of every member, low, likely and high in one batch.

    plant: the snapshot. members: (m,) what to evaluate, as of which step. rules: the limits to judge by;
    figures without a rule are left out. anchoring: the result of ``anchor(plant, point_loads(plant))``, to
    reuse it between calls on the same plant. Raises nothing that depends on the record: an infeasible network
    has figures, an ambiguous one is a ``Problem``.
    """
    anchored = anchoring or anchor(plant, point_loads(plant))
    loads = anchored.loads
    wiring = wire(plant, members)
    codes = [*map(attrgetter("code"), rules)]
    families: Sequence[tuple[frozenset[str], Callable[[], list[FigureBlock]]]] = (
        (DC_CODES, lambda: evaluate_dc(plant, members, wiring, loads, codes)),
        (AUDIO_CODES, lambda: evaluate_audio(plant, members, wiring, loads)),
        (LINE_CODES, lambda: evaluate_lines(plant, members, wiring, loads)),
        (NETWORK_POWER_CODES, lambda: evaluate_network_power(plant, members)),
        (TERMINATION_CODES, lambda: evaluate_terminations(plant, members, wiring)),
        (DISAGREEMENT_CODES, lambda: anchored.disagreements(plant, members)),
        (PROOF_CODES, lambda: evaluate_proofs(plant, members, codes)),
    )
    blocks = [block for makes, made in families if not makes.isdisjoint(codes) for block in made()]
    problems = wiring.runs.problems(wiring.orphaned, "parent_missing")

    whole, real = [np.zeros((11, 0), np.int64)], [np.zeros((7, 0))]
    for block in blocks:
        of, count = block.subjects, len(block.supported)
        if count and block.code in codes:
            rule = codes.index(block.code)
            ids, kinds = subject_ids(plant, of.kind)[of.index], np.full(count, int(of.kind))
            low, likely, high = block.bands
            verdict = judge(low, likely, high, block.limit, rules[rule], block.overloaded, block.bound)
            flags = bits(block.overloaded), bits(block.bound)
            numbers = np.full(count, rule)
            whole.append(np.stack([of.member, numbers, kinds, ids, of.group, verdict, *block.detail, *flags]))
            real.append(np.stack([*block.bands, *block.limit, block.supported]))
    member, rule_number, subject_kind, subject_id, group, verdicts, *details, overloaded, bounds = (
        np.concatenate(whole, axis=1)
    )
    low, likely, high, low_limit, limit, high_limit, supported = np.concatenate(real, axis=1)
    low_detail, detail, high_detail = details
    return Evaluation(
        rules=tuple(rules),
        member=member,
        rule=rule_number,
        subject_kind=subject_kind,
        subject_id=subject_id,
        group=group,
        low=low,
        likely=likely,
        high=high,
        low_limit=low_limit,
        limit=limit,
        high_limit=high_limit,
        low_detail=low_detail,
        detail=detail,
        high_detail=high_detail,
        overloaded=overloaded,
        bounds=bounds,
        verdict=verdicts,
        supported=supported,
        problems=tuple(problems),
    )


def subject_ids(plant: Plant, kind: SubjectKind) -> IntArray:
    """The record's ids of the subjects of a ``kind``, by dense index."""
    ids: IntArray = getattr(plant, f"{kind.name.lower()}_id")
    return ids
