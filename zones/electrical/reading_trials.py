"""What sets of readings would tell: each set is given to a copy of its group, and all copies are evaluated
in one batch."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final, Protocol, TypeVar

import numpy as np

from .bands import LIKELY, FloatArray, IntArray
from .copies import copies, members_of_copies
from .evaluate import Evaluation, evaluate
from .plant import BoolArray, Plant
from .reading_candidates import Candidates
from .subjects import Subject, SubjectKind
from .verdicts import Rule, Verdict

Figure = tuple[str, Subject]
"""Code and subject of a figure."""

WORTH: Final = 1e-3
"""A reading that takes less than this share of what keeps a verdict open does not narrow it."""
_WITHOUT_SOLUTION: Final = 10.0
"""How far past its limit an estimate without a stable solution counts, in multiples of the limit."""


class OfGroup(Protocol):
    """Who asks about the readings of one group of the plant."""

    group: int


Asker = TypeVar("Asker", bound=OfGroup)


@dataclass
class Outcome:
    """The f open verdicts of a site with some readings. is_open: (f,). excess: (f,) how far the high estimate
    is past the limit, as a fraction of it; infinite where it is not known. likely: (f,) the likely
    estimate."""

    is_open: BoolArray
    excess: FloatArray
    likely: FloatArray

    def differs(self, other: Outcome) -> set[int]:
        """The verdicts whose figure is another one."""
        with np.errstate(invalid="ignore"):
            moved = np.abs(self.likely - other.likely) > WORTH * np.abs(other.likely)
            moved |= np.abs(self.excess - other.excess) > WORTH
        return set(np.flatnonzero(moved | (self.is_open != other.is_open)).tolist())


class Trials:
    """Evaluates sets of readings. figures: the f open verdicts, and group: (f,) of each."""

    def __init__(
        self,
        plant: Plant,
        step: int,
        rules: Sequence[Rule],
        proposed: Candidates,
        found: Evaluation,
        open_rows: IntArray,
    ) -> None:
        self.plant, self.step, self.rules, self.candidates = plant, step, rules, proposed
        keys = _keys(found, open_rows)
        place = {key: number for number, key in enumerate(dict.fromkeys(keys))}
        self.figures: list[Figure] = [
            (rules[rule].code, (SubjectKind(kind), subject)) for rule, kind, subject in place
        ]
        self.group = np.zeros(len(place), np.int64)
        self.group[[place[key] for key in keys]] = found.group[open_rows]
        self._place = place
        self._at_least = np.array([rule.at_least for rule in rules])

    def ask(
        self,
        askers: Iterable[Asker],
        sets_of: Callable[[Asker], Sequence[Sequence[int]]],
        answer: Callable[[Asker, Sequence[Outcome]], None],
        band: int = LIKELY,
    ) -> None:
        """Evaluate the sets of candidates that each asks about, all in one batch, and answer with their
        outcomes. band: the estimate of load by which the readings are taken to read."""
        asked = [(asker, sets_of(asker)) for asker in askers]
        outcomes = self._outcomes([(asker.group, one) for asker, sets in asked for one in sets], band)
        for asker, sets in asked:
            answer(asker, outcomes[: len(sets)])
            outcomes = outcomes[len(sets) :]

    def _outcomes(self, sets: Sequence[tuple[int, Sequence[int]]], band: int) -> list[Outcome]:
        if not sets:
            return []
        group = np.array([group for group, _ in sets])
        copy = np.repeat(np.arange(len(sets)), [len(chosen) for _, chosen in sets])
        taken = np.array([one for _, chosen in sets for one in chosen], np.int64)
        rows = self.candidates.rows.rows(taken)
        rows = replace(rows, value=self.candidates.value[band, taken])
        many = copies(self.plant, group, rows, copy)
        found = evaluate(many, members_of_copies(group, self.step), self.rules)
        is_open = np.zeros((len(sets), len(self.figures)), np.bool_)
        excess, likely = np.full(is_open.shape, -np.inf), np.full(is_open.shape, np.nan)
        limit, value = found.high_limit, found.high
        sign = np.where(self._at_least[found.rule], -1.0, 1.0)
        with np.errstate(invalid="ignore", divide="ignore"):
            past = sign * (value - limit) / np.abs(limit)
        past = np.where(found.overloaded & 4, _WITHOUT_SOLUTION, past)
        past = np.where(np.isnan(limit), np.inf, np.where(np.isnan(past), np.inf, past))
        past = np.where((found.bounds & 4) > 0, np.maximum(past, 0.0) + 1.0, past)
        for row, key in enumerate(_keys(found, slice(None))):
            number = self._place.get(key)
            if number is not None:
                member = found.member[row]
                is_open[member, number] |= found.verdict[row] == Verdict.CANNOT_TELL
                excess[member, number] = max(excess[member, number], past[row])
                likely[member, number] = found.likely[row]
        return [Outcome(*of_set) for of_set in zip(is_open, excess, likely, strict=True)]


def _keys(found: Evaluation, rows: IntArray | slice) -> list[tuple[int, int, int]]:
    columns = (found.rule[rows], found.subject_kind[rows], found.subject_id[rows])
    return list(zip(*(column.tolist() for column in columns), strict=True))
