"""DC trees solved in three estimates, and what stands where a supply cannot serve all that it feeds.

Where a tree has no solution in an estimate, each of its runs is solved alone behind an ideal source at the
supply's voltage. A run that has no solution alone is *overloaded* and left out; its current is drawn at the
supply's terminals, and the rest is solved again. The current of constant-current loads is their sum, whatever
the voltage. What loads in watts draw without a stable voltage is not known: at least what they ask for at the
source voltage, and no less than in the kinder estimate, since a harsher one lowers every voltage. So what
lies beside a left-out load in watts may be harsher than its number.

Where the rest has no solution either and holds constant currents only, Ohm's law still gives every voltage: a
run with a point at or below zero is overloaded, and the others stand. With loads in watts in it, it is the
supply that is overloaded: it has no stable current, and its runs have no known voltage.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .bands import FloatArray, IntArray
from .figures import any_of, sums
from .forest import Forest
from .plant import BoolArray
from .radial import Solution, solve
from .wiring import renumber


@dataclass(frozen=True)
class BandSolution:
    """DC trees of n nodes and t trees in three estimates.

    voltage_v, branch_a: (3, n), the voltage NaN where there is none; terminal_v, source_a: (3, t) at the
    supply, the voltage NaN where the tree has no solution as a whole. overloaded: (3, n) the node's run has
    no stable voltage; source_overloaded: (3, t) the supply has no stable current. voltage_bound,
    branch_bound: (3, n), source_bound: (3, t) the true value may be harsher, or is not known. forest: the
    trees three times, to solve them again with other loads.
    """

    forest: Forest
    voltage_v: FloatArray
    branch_a: FloatArray
    terminal_v: FloatArray
    source_a: FloatArray
    overloaded: BoolArray
    source_overloaded: BoolArray
    voltage_bound: BoolArray
    branch_bound: BoolArray
    source_bound: BoolArray


def solve_bands(
    parent: IntArray,
    position: IntArray,
    tree: IntArray,
    source_voltage_v: FloatArray,
    source_resistance_ohm: FloatArray,
    segment_ohm: FloatArray,
    amps: FloatArray,
    watts: FloatArray,
    nominal_v: float,
    *,
    run: IntArray | None = None,
    forest: Forest | None = None,
) -> BandSolution:
    """Solve the same trees in three bands, as one forest three times as large.

    parent: (n,) nodes as the caller numbers them, −1 at the feed; position: (n,) the caller's number of each
    node here; tree: (n,); source_voltage_v, source_resistance_ohm: (t,); segment_ohm, amps, watts: (3, n).
    run: (n,) number of the run that the node belongs to; without it a tree that has no solution as a whole
    has NaN everywhere. forest: of an earlier solution of the same trees. Where a source voltage is NaN the
    currents are those at nominal_v, the voltages NaN, and nothing is said to be overloaded.
    """
    nodes, trees = len(position), len(source_voltage_v)
    above = renumber(position, int(position.max(initial=-1)) + 1)[parent]
    forest = forest or Forest.build(above, tree, trees).times(3)
    unknown = np.isnan(source_voltage_v)
    volts = np.where(unknown, nominal_v, source_voltage_v)
    solved = solve(
        forest,
        source_voltage_v=np.tile(volts, 3),
        source_resistance_ohm=np.tile(source_resistance_ohm, 3),
        segment_resistance_ohm=segment_ohm.ravel(),
        current_a=amps.ravel(),
        power_w=watts.ravel(),
        conductance_s=0.0,
    )
    found = BandSolution(
        forest=forest,
        voltage_v=solved.voltage_v.reshape(3, nodes),
        branch_a=solved.branch_current_a.reshape(3, nodes),
        terminal_v=solved.terminal_voltage_v.reshape(3, trees),
        source_a=solved.source_current_a.reshape(3, trees),
        overloaded=np.zeros((3, nodes), np.bool_),
        source_overloaded=np.zeros((3, trees), np.bool_),
        voltage_bound=np.zeros((3, nodes), np.bool_),
        branch_bound=np.zeros((3, nodes), np.bool_),
        source_bound=np.zeros((3, trees), np.bool_),
    )
    infeasible = ~solved.feasible.reshape(3, trees)
    if run is not None and infeasible.any():
        asked = amps, watts / volts[tree]
        amps_behind, watts_behind = (forest.totals(one.ravel()).reshape(3, nodes) for one in asked)
        everything = _Trees(above, tree, run, volts, source_resistance_ohm, segment_ohm, amps, watts)
        for band in np.flatnonzero(infeasible.any(axis=1)).tolist():
            if band:
                kinder = found.branch_a[band - 1] - amps_behind[band - 1]
                watts_behind[band] = np.maximum(watts_behind[band], kinder)
            everything.settle(found, band, infeasible[band], amps_behind[band], watts_behind[band], unknown)
    found.voltage_v[:, unknown[tree]] = np.nan
    found.overloaded[:, unknown[tree]] = False
    found.voltage_bound[:, unknown[tree]] = False
    return found


@dataclass(frozen=True)
class _Trees:
    """Trees of n nodes behind t sources: as ``solve_bands`` takes them; above: (n,) the parent as numbered
    here."""

    above: IntArray
    tree: IntArray
    run: IntArray
    volts: FloatArray
    ohms: FloatArray
    segment_ohm: FloatArray
    amps: FloatArray
    watts: FloatArray

    def settle(
        self,
        found: BandSolution,
        band: int,
        infeasible: BoolArray,
        amps_behind: FloatArray,
        watts_behind: FloatArray,
        unknown: BoolArray,
    ) -> None:
        """Complete ``found``, in place, in a ``band`` for the trees that are ``infeasible`` (t,) in it.

        amps_behind, watts_behind: (n,) what constant currents behind each node draw, and what loads in watts
        draw there at least [A]. unknown: (t,) the voltage of the source is not known.
        """
        tree, trees, top = self.tree, len(self.volts), self.above < 0
        width = int(self.run.max(initial=0)) + 1
        keys, run = np.unique(tree * width + self.run, return_inverse=True)  # the part of a run in one tree

        # 1. each run alone
        at_hand = infeasible[tree]
        part, alone = self._solve(band, at_hand, run, self.volts[keys // width], np.zeros(len(keys)))
        overloaded = np.zeros(len(keys), np.bool_)
        overloaded[part] = ~alone.feasible
        left_out = at_hand & overloaded[run]
        at_least = amps_behind + watts_behind
        drawn = sums(tree[left_out & top], at_least[left_out & top], trees)
        beside_watts = any_of(tree, left_out & top & (watts_behind > 0), trees)

        # 2. the rest, behind what those draw at the terminals
        rest = at_hand & ~left_out
        behind_v = self.volts - self.ohms * drawn
        part, solved = self._solve(band, rest, tree, np.maximum(behind_v, 0.0), self.ohms)
        failed = np.zeros(trees, np.bool_)
        failed[part] = ~solved.feasible
        source_a = drawn.copy()
        source_a[part] += solved.source_current_a
        found.voltage_v[band, rest] = solved.voltage_v
        found.branch_a[band, rest] = solved.branch_current_a
        found.branch_a[band, left_out] = at_least[left_out]

        # 3. constant currents only: Ohm's law
        with_watts = any_of(tree, rest & (self.watts[band] > 0), trees)
        linear = rest & (failed & ~with_watts)[tree]
        if linear.any():
            voltage, part, current = self._ohms_law(band, linear, amps_behind)
            voltage += behind_v[tree[linear]]
            source_a[part] = drawn[part] + current
            overloaded[run[linear][~(voltage > 0)]] = True
            found.voltage_v[band, linear] = voltage
            found.branch_a[band, linear] = amps_behind[linear]

        # 4. loads in watts without a solution together: the supply
        stuck = failed & with_watts
        lost = rest & stuck[tree]
        found.branch_a[band, lost] = at_least[lost]
        source_a[stuck] = (drawn + sums(tree[lost & top], at_least[lost & top], trees))[stuck]

        found.overloaded[band] = at_hand & overloaded[run]
        found.voltage_v[band, found.overloaded[band]] = np.nan
        uncertain = at_hand & (beside_watts | stuck)[tree]
        found.voltage_bound[band] = uncertain & ~found.overloaded[band]
        found.branch_bound[band] = uncertain & (watts_behind > 0)
        found.source_overloaded[band] = stuck & ~unknown
        found.source_bound[band] = beside_watts | (stuck & unknown)
        found.source_a[band] = np.where(infeasible, source_a, found.source_a[band])
        found.source_a[band, found.source_overloaded[band]] = np.nan

    def _solve(
        self, band: int, chosen: BoolArray, owner: IntArray, volts: FloatArray, ohms: FloatArray
    ) -> tuple[IntArray, Solution]:
        """Some nodes as trees of their own: which of the owners they belong to, and the solution of those.

        chosen: (n,); owner: (n,) tree of each node, of k; volts, ohms: (k,) source of each.
        """
        at = np.flatnonzero(chosen)
        owners, place = np.unique(owner[at], return_inverse=True)
        forest = Forest.build(renumber(at, len(self.above))[self.above[at]], place, len(owners))
        return owners, solve(
            forest,
            source_voltage_v=volts[owners],
            source_resistance_ohm=ohms[owners],
            segment_resistance_ohm=self.segment_ohm[band, at],
            current_a=self.amps[band, at],
            power_w=self.watts[band, at],
            conductance_s=0.0,
        )

    def _ohms_law(
        self, band: int, chosen: BoolArray, amps_behind: FloatArray
    ) -> tuple[FloatArray, IntArray, FloatArray]:
        """Voltages of chosen nodes with constant currents only, against their source's; and by tree its
        current: the trees, and (k,) that current.

        Voltages of such a tree move with the source's: so it is solved behind one that is higher than all
        drops together, which leaves every voltage above zero.
        """
        at, trees = np.flatnonzero(chosen), len(self.volts)
        top = at[self.above[at] < 0]
        current = sums(self.tree[top], amps_behind[top], trees)
        drops = sums(self.tree[at], self.segment_ohm[band, at] * amps_behind[at], trees)
        high = self.ohms * current + drops + 1.0
        part, solved = self._solve(band, chosen, self.tree, high, self.ohms)
        return solved.voltage_v - high[self.tree[at]], part, current[part]
