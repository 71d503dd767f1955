"""What to measure next: the readings that settle the most open verdicts of a site.

An open verdict is *cannot tell*: only its high estimate is past the limit. A reading narrows it, since it
scales what is only guessed (``calibration``). What each reading would tell is seen by giving it to a copy of
the plant, at the value that the record makes likely, and evaluating that.

The short list is chosen greedily: the reading that takes most of what keeps verdicts open comes first, then
the one that takes most of the rest. What settles nothing that the others do not is then left out again.
A verdict that no reading settles at its likely value may be settled by one that reads otherwise. So the list
also has what moves such a verdict, where all readings at their lowest, or all at their highest, settle it.

Candidates are what scales something: the current of a run at its block, idle, during speech and at a steady
tone, whichever limits are judged by, and the voltages at the ends of what is guessed of it, with the voltage
at its block. Of the voltages of a run the list has one: one factor scales all of its lengths. If that leaves
a verdict open, the next list may have another branch. What was read already, and nothing of the run was
changed since, is not read again. The method is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from .bands import HIGH, LOW
from .calibration import Anchoring
from .evaluate import evaluate
from .plant import Members, Plant, ReadingKind, State
from .reading_candidates import candidates
from .reading_trials import WORTH, Figure, Outcome, Trials
from .self_amplified import DC_CODES
from .verdicts import Rule, Verdict

_ROUNDS: Final = 8


@dataclass(frozen=True)
class NextReading:
    """A reading to take. point_id: where a voltage is read, None at the block. low, likely, high: what it
    should read by these estimates of load, as far as the record tells [A] or [V]; source_voltage_v: the
    likely voltage at the block meanwhile, which is read with a voltage. settles: the verdicts for which the
    list needs it, if it reads as is likely. may_settle: those that it settles only where it reads
    otherwise."""

    kind: ReadingKind
    state: State
    run_id: int
    point_id: int | None
    low: float
    likely: float
    high: float
    source_voltage_v: float | None
    settles: tuple[Figure, ...] = ()
    may_settle: tuple[Figure, ...] = ()


@dataclass(frozen=True)
class Proposed:
    """readings: the short list, in no order that matters. best: by open verdict the one reading that narrows
    it most; those that none narrows are left out."""

    readings: tuple[NextReading, ...]
    best: Mapping[Figure, NextReading]


def next_readings(plant: Plant, anchoring: Anchoring, step: int, rules: Sequence[Rule]) -> Proposed:
    """What to measure at the one site of ``plant``, as its record stands at a step.

    anchoring: of the plant. rules: the limits; readings bear on those of self-amplified runs alone.
    """
    judged = [rule for rule in rules if rule.code in DC_CODES and not rule.advice]
    found = evaluate(plant, Members.of_sites(plant, step), judged, anchoring=anchoring)
    open_rows = np.flatnonzero(found.verdict == Verdict.CANNOT_TELL)
    groups = np.unique(found.group[open_rows])
    if not len(groups):
        return Proposed((), {})
    trials = Trials(plant, step, judged, candidates(plant, anchoring, step, groups), found, open_rows)
    searches = [_Search(trials, int(group)) for group in groups]
    for _ in range(_ROUNDS):
        active = [search for search in searches if search.goes_on]
        if not active:
            break
        trials.ask(active, _Search.singles, _Search.choose)
    active = [search for search in searches if search.chosen]
    for _ in range(len(trials.candidates)):
        if not active:
            break
        trials.ask(active, _Search.without_each, _Search.leave_out)
        active = [search for search in active if search.leaves_out]
    for band in (LOW, HIGH):
        trials.ask(
            [search for search in searches if search.left], _Search.all_of_them, _Search.may_settle, band
        )
    for band in (LOW, HIGH):
        trials.ask([search for search in searches if search.may], _Search.all_but_each, _Search.moves, band)
    best: dict[Figure, NextReading] = {}
    readings: list[NextReading] = []
    for search in searches:
        readings += search.readings()
        best |= search.best()
    return Proposed(tuple(readings), best)


@dataclass
class _Search:
    """The search for the readings of one group.

    chosen: numbers of candidates. gain: by candidate and open verdict the share that it took of what kept
    the verdict open, the most it ever did. first: the same of each by itself. needed: by chosen candidate
    the verdicts that stay open without it. settled, left: verdicts that the chosen settle, or leave open, at
    likely values; may: those of the left ones that all candidates together settle at other values, and moved:
    by candidate those of them that it moves.
    """

    trials: Trials
    group: int
    chosen: list[int] = field(default_factory=list)
    goes_on: bool = True
    leaves_out: bool = True
    tried_all: bool = False
    gain: dict[int, dict[int, float]] = field(default_factory=dict)
    first: dict[int, dict[int, float]] = field(default_factory=dict)
    needed: dict[int, set[int]] = field(default_factory=dict)
    settled: set[int] = field(default_factory=set)
    left: set[int] = field(default_factory=set)
    may: set[int] = field(default_factory=set)
    moved: dict[int, set[int]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        rows = self.trials.candidates.rows
        self.own = [int(one) for one in np.flatnonzero(rows.group == self.group)]
        self.figures = {int(one) for one in np.flatnonzero(self.trials.group == self.group)}

    # --- choose ---

    @property
    def _others(self) -> list[int]:
        """Candidates that may still be chosen: one voltage a run is enough."""
        rows = self.trials.candidates.rows
        read = {int(rows.run_index[one]) for one in self.chosen if rows.kind[one] == ReadingKind.END_VOLTAGE}
        return [
            one
            for one in self.own
            if one not in self.chosen
            and not (rows.kind[one] == ReadingKind.END_VOLTAGE and int(rows.run_index[one]) in read)
        ]

    def singles(self) -> list[list[int]]:
        """What is chosen, then with each other candidate, and with all of them."""
        others = self._others
        return [
            self.chosen,
            *([*self.chosen, one] for one in others),
            [*self.chosen, *self._one_a_run(others)],
        ]

    def choose(self, outcomes: Sequence[Outcome]) -> None:
        base, *each, together = outcomes
        others = self._others
        still = [one for one in sorted(self.figures) if base.is_open[one] and np.isfinite(base.excess[one])]
        self.left = {one for one in self.figures if base.is_open[one]}
        self.settled = self.figures - self.left
        shares = {one: self._shares(base, outcome, still) for one, outcome in zip(others, each, strict=True)}
        if not self.chosen and not self.first:
            self.first = shares
        for one, share in shares.items():
            known = self.gain.setdefault(one, {})
            for number, value in share.items():
                known[number] = max(known.get(number, 0.0), value)
        added = self._greedy(shares, still)
        if not added and not self.tried_all and any(self._shares(base, together, still).values()):
            # none by itself, but all of them together
            self.tried_all = True
            added = self._one_a_run(others)
            for one in added:
                self.gain.setdefault(one, {}).update(self._shares(base, together, still))
        self.chosen = [*self.chosen, *added]
        self.goes_on = bool(added)

    @staticmethod
    def _shares(base: Outcome, outcome: Outcome, still: Sequence[int]) -> dict[int, float]:
        """By open verdict the share of what keeps it open that an outcome takes; 1 where it settles it."""
        shares = {}
        for one in still:
            taken = 1.0
            if outcome.is_open[one]:
                taken = (base.excess[one] - outcome.excess[one]) / max(base.excess[one], 1e-12)
            if taken > WORTH:
                shares[one] = min(taken, 1.0)
        return shares

    def _greedy(self, shares: Mapping[int, Mapping[int, float]], still: Sequence[int]) -> list[int]:
        """The candidates that take most, as if what they take added up."""
        rest, added = dict.fromkeys(still, 1.0), list[int]()
        rows = self.trials.candidates.rows
        pool = dict(shares)
        while pool:
            taken = {
                one: sum(min(share, rest[number]) for number, share in of.items()) for one, of in pool.items()
            }
            best = max(taken, key=lambda one: (taken[one], -one))
            if taken[best] <= WORTH:
                break
            added.append(best)
            for number, share in pool.pop(best).items():
                rest[number] -= min(share, rest[number])
            if rows.kind[best] == ReadingKind.END_VOLTAGE:
                same_run = (rows.kind == ReadingKind.END_VOLTAGE) & (rows.run_index == rows.run_index[best])
                pool = {one: of for one, of in pool.items() if not same_run[one]}
        return added

    def _one_a_run(self, others: Sequence[int]) -> list[int]:
        """These candidates, but of the voltages of each run only the one that should read least."""
        rows, kept = self.trials.candidates.rows, dict[tuple[int, int, int], int]()
        for one in others:
            is_voltage = rows.kind[one] == ReadingKind.END_VOLTAGE
            key = (int(rows.kind[one]), int(rows.run_index[one]), -1 if is_voltage else int(rows.state[one]))
            if key not in kept or rows.value[one] < rows.value[kept[key]]:
                kept[key] = one
        return list(kept.values())

    # --- leave out ---

    def without_each(self) -> list[list[int]]:
        return [self.chosen, *([other for other in self.chosen if other != one] for one in self.chosen)]

    def leave_out(self, outcomes: Sequence[Outcome]) -> None:
        """Drop the weakest reading without which nothing more stays open; a voltage before a current, since
        it takes a walk."""
        whole, *each = outcomes
        self.left = {one for one in self.figures if whole.is_open[one]}
        self.settled = self.figures - self.left
        self.needed = {
            one: {number for number in self.settled if outcome.is_open[number]}
            for one, outcome in zip(self.chosen, each, strict=True)
        }
        idle = [one for one in self.chosen if not self.needed[one]]
        self.leaves_out = bool(idle)
        if idle:
            kind = self.trials.candidates.rows.kind
            weakest = min(
                idle,
                key=lambda one: (
                    kind[one] != ReadingKind.END_VOLTAGE,
                    sum(self.gain.get(one, {}).values()),
                    one,
                ),
            )
            self.chosen = [one for one in self.chosen if one != weakest]
            self.needed.pop(weakest)

    # --- what other values would settle ---

    @property
    def _every(self) -> list[int]:
        """All candidates, of the voltages of each run one."""
        return [*self.chosen, *self._one_a_run(self._others)]

    def all_of_them(self) -> list[list[int]]:
        return [self._every]

    def may_settle(self, outcomes: Sequence[Outcome]) -> None:
        (outcome,) = outcomes
        self.may |= {number for number in self.left if not outcome.is_open[number]}

    def all_but_each(self) -> list[list[int]]:
        every = self._every
        return [every, *([other for other in every if other != one] for one in every)]

    def moves(self, outcomes: Sequence[Outcome]) -> None:
        whole, *each = outcomes
        for one, outcome in zip(self._every, each, strict=True):
            self.moved.setdefault(one, set()).update(self.may & outcome.differs(whole))

    # --- results ---

    def readings(self) -> list[NextReading]:
        settles: dict[int, set[int]] = {one: set(self.needed.get(one, ())) for one in self.chosen}
        for number in sorted(self.settled - set().union(*settles.values())):
            # several of the chosen settle it, each without the others
            able = [one for one in self.chosen if number in self.gain.get(one, {})] or self.chosen
            if able:
                settles[max(able, key=lambda one: self.gain.get(one, {}).get(number, 0.0))].add(number)
        listed = dict.fromkeys([*self.chosen, *(one for one, of in self.moved.items() if of)])
        return [self._reading(one, settles.get(one, set()), self.moved.get(one, set())) for one in listed]

    def best(self) -> dict[Figure, NextReading]:
        out = {}
        for number in sorted(self.figures):
            able = [one for one, of in self.first.items() if number in of]
            if able:
                one = max(able, key=lambda one: (self.first[one][number], -one))
                out[self.trials.figures[number]] = self._reading(one, set(), set())
        return out

    def _reading(self, one: int, settles: set[int], may: set[int]) -> NextReading:
        plant, rows, value = self.trials.plant, self.trials.candidates.rows, self.trials.candidates.value
        point, source = int(rows.point_index[one]), float(rows.source_voltage_v[one])
        low, likely, high = value[:, one].tolist()
        return NextReading(
            kind=ReadingKind(int(rows.kind[one])),
            state=State(int(rows.state[one])),
            run_id=int(plant.run_id[rows.run_index[one]]),
            point_id=int(plant.point_id[point]) if point >= 0 else None,
            low=low,
            likely=likely,
            high=high,
            source_voltage_v=None if np.isnan(source) else source,
            settles=tuple(self.trials.figures[number] for number in sorted(settles)),
            may_settle=tuple(self.trials.figures[number] for number in sorted(may)),
        )
