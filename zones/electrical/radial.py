"""Solver of radial networks: many trees of cable and load, each behind one source, solved together.

A *tree* is a source (voltage ``Vs``, internal resistance ``Rs``), its terminal, and points joined to the
terminal or to one another by segments of cable. Each point draws

    f(V) = Ic + P / V + G V ,

the sum of a constant-current, a constant-power and a resistive load, all zero at a bare splice. The
unknowns are the voltages of the points. With ``Y`` the conductance matrix of the segments (the terminal being
a point without load behind ``Rs``) and ``s`` the currents that the source drives into it at zero volts,

    F(V) = Y V + f(V) - s = 0 .

Method
------
Newton's, started at ``V = Vs`` everywhere. A step replaces each load by its tangent at the present V0,

    f(V) ~ a + b V ,   a = Ic + 2 P / V0 ,   b = G - P / V0**2 ,

and solves the linear tree exactly in O(n). From the leaves to the root: a point and all that is behind it
draw ``a + b V``; seen from its parent, through a segment of resistance r, that is ``(a + b Vp) / q`` with
the pivot ``q = 1 + r b``. From the root to the leaves: ``V = (Vp - r a) / q``. A segment of zero length needs
no special case (q = 1).

Why the answer is the right one
-------------------------------
Let ``J(V) = Y + diag(G - P / V**2)`` be the Jacobian. It is symmetric, nowhere positive off its diagonal,
and grows with V. It is a nonsingular M-matrix, one whose inverse has no negative entry, exactly if all
pivots are positive. A solution is *stable* if J is such a matrix there: then, and only then, more load
anywhere means less voltage everywhere. (Points joined by a segment of zero length count as one.)

1. *No solution lies above an iterate.* Any solution W is at most Vs, since loads only draw. Let V >= W be an
   iterate with positive pivots and N the next one. Each P / V is convex, so
   ``0 = F(W) >= F(V) + J(V) (W - V) = J(V) (W - N)``; times the inverse, ``W <= N``.
2. *The iterates descend.* ``F(Vs) = f(Vs) >= 0``, and by convexity ``F(N) >= F(V) + J(V) (N - V) = 0`` ever
   after; so ``N - V = -inverse(J(V)) F(V) <= 0``.
3. *A pivot that is not positive means that there is no stable solution.* Were V* one, V >= V* by 1, so
   ``J(V) >= J(V*)`` with the same signs, and J(V) would be an M-matrix as J(V*) is. In fact there is then no
   solution of any kind but perhaps one at the very point of collapse, as convexity gives
   ``J(V) (V - W) >= F(V) >= 0`` for any solution W. *Nor is there a solution where an iterate is not above
   zero*: by 1 it would lie lower still.
4. *Otherwise the iterates converge*, falling and bounded as they are, and to the stable solution V*: a
   limit L >= V* has ``0 = F(L) >= J(V*) (L - V*)``, so ``L <= V*``. There is one at most, and it is the
   highest of all solutions.
5. *They do so in few steps.* Let ``e = V - V*`` and ``D = diag(P e / (V**2 V*))``. Then
   ``J(V) e_next = D e`` and ``J(V) = J(V*) + D (V + V*) / V* >= J(V*) + 2 D``. With x > 0 the eigenvector of
   the smallest eigenvalue of J(V*), which is not negative, and m the largest of ``e / x``:
   ``J(V) (m x / 2 - e_next) >= D (m x - e) >= 0``, so ``e_next <= m x / 2``. **The error at least halves
   at each step**, even at the point of collapse, where Newton is at its slowest; elsewhere it soon squares.
   Where there is no solution the iterates cannot fall for ever without meeting 3.

What rounding adds
------------------
After a relative fall s each load is met to s**2, since ``F(N) = P (V - N)**2 / (V**2 N)``. So a tree has
converged when no voltage falls by more than 1e-8 of itself: another step would change its loads by less than
rounding does. Close to collapse, with a share d of the load still to spare, rounding alone moves the voltages
by some 1e-16 / sqrt(d), and the falls stop shrinking: so a tree has also converged when its largest fall is
below 1e-6 and not smaller than the one before. Either way the answer is exact for loads that differ from the
given ones by no more than some 1e-12. Voltages are sensitive at the point of collapse, in reality as here;
there they are good to some 1e-7, and rounding decides whether a load within some 1e-12 of the largest
possible one has a solution. By 5, a tree still moving after `STEP_LIMIT` steps has no solution that double
precision distinguishes from none; it is reported as unsolved, without the voltages of the last step.

Each tree undergoes the same operations in the same order whatever else is in the call: its results are the
same bits in any batch.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from zones.electrical.forest import Floats, Forest, Indices, Levels, add_at

SOLVED, NO_STABLE_SOLUTION, VOLTAGE_NOT_ABOVE_ZERO = 0, 1, 2
REASONS = ("solved", "no stable solution", "voltage not above zero")

STEP_LIMIT = 128
"""Steps after which a tree counts as unsolved. Halving from Vs to the last bit takes about 55."""

LARGEST_MAGNITUDE = 1e100
"""Bound on every input, so that no intermediate product overflows."""

_SETTLED = 1e-8  # largest fall of a voltage, relative to itself, of a converged tree
_ROUNDING_MAY_RULE = 1e-6  # the same, once falls stop shrinking
_DROP_ABOVE = 0.2  # share of finished nodes above which copying the others saves time


@dataclass(frozen=True, eq=False)
class Solution:
    """Voltages and currents of n points in t trees; a tree without a solution has NaN in all of them.

    feasible: (t,); reason: (t,) index into `REASONS`. voltage_v: (n,). load_current_a: (n,) of the point's
    own load; branch_current_a: (n,) in the segment that leads to the point: the sum over the point and all
    points behind it. terminal_voltage_v: (t,) behind the internal resistance of the source. source_current_a:
    (t,). iterations: (t,) number of Newton steps.
    """

    feasible: NDArray[np.bool_]
    reason: NDArray[np.int8]
    voltage_v: Floats
    load_current_a: Floats
    branch_current_a: Floats
    terminal_voltage_v: Floats
    source_current_a: Floats
    iterations: Indices


@dataclass(frozen=True, eq=False)
class _WorkingSet:
    """The unfinished trees, in level order."""

    levels: Levels
    place: Indices | None  # positions in the whole forest; None: all of it
    source_voltage_v: Floats  # (trees of the whole forest,)
    resistance_ohm: Floats
    current_a: Floats
    power_w: Floats
    conductance_s: Floats

    def only(self, kept: Indices) -> _WorkingSet:
        """The trees whose nodes are at the positions `kept`."""
        return _WorkingSet(
            self.levels.only(kept),
            kept if self.place is None else self.place[kept],
            self.source_voltage_v,
            self.resistance_ohm[kept],
            self.current_a[kept],
            self.power_w[kept],
            self.conductance_s[kept],
        )

    def step(self, voltage: Floats) -> tuple[Floats, Floats]:
        """One Newton step from `voltage`: the next voltages and the pivots."""
        slope = self.power_w / voltage
        intercept = slope + slope
        intercept += self.current_a
        slope /= voltage
        np.subtract(self.conductance_s, slope, out=slope)
        return self.sweep(intercept, slope)

    def sweep(self, intercept: Floats, slope: Floats) -> tuple[Floats, Floats]:
        """Voltages and pivots of the linear trees whose nodes draw intercept + slope V; overwrites both."""
        sweep = _sweep_narrow if self.levels.narrow else _sweep
        source = self.source_voltage_v[self.levels.tree[: self.levels.bounds[1]]]
        return sweep(self.levels, source, self.resistance_ohm, intercept, slope)


def _sweep(
    levels: Levels, source: Floats, resistance: Floats, intercept: Floats, slope: Floats
) -> tuple[Floats, Floats]:
    pivot = np.empty_like(slope)
    for own, parents in reversed(levels.steps):
        own_pivot = pivot[own]
        np.multiply(resistance[own], slope[own], out=own_pivot)
        own_pivot += 1
        add_at(intercept, parents, intercept[own] / own_pivot)
        add_at(slope, parents, slope[own] / own_pivot)
    top = slice(0, levels.bounds[1])
    pivot[top] = resistance[top] * slope[top]
    pivot[top] += 1
    drop = np.multiply(resistance, intercept, out=intercept)
    voltage = slope
    voltage[top] = (source - drop[top]) / pivot[top]
    for own, parents in levels.steps:
        own_voltage = voltage[own]
        np.subtract(voltage[parents], drop[own], out=own_voltage)
        own_voltage /= pivot[own]
    return voltage, pivot


def _sweep_narrow(
    levels: Levels, source: Floats, resistance: Floats, intercept: Floats, slope: Floats
) -> tuple[Floats, Floats]:
    """`_sweep` on plain floats, which are faster for a long chain: it has as many levels as points."""
    parent, r, a, b = levels.parent.tolist(), resistance.tolist(), intercept.tolist(), slope.tolist()
    pivot = [1.0] * len(r)
    for start, stop in zip(levels.bounds[-2::-1], levels.bounds[:0:-1], strict=True):
        for node in range(start, stop):
            q = r[node] * b[node] + 1
            if not q > 0:
                q = float("nan")  # ends its tree as a pivot of zero or less does, without dividing by zero
            pivot[node] = q
            if start:
                a[parent[node]] += a[node] / q
                b[parent[node]] += b[node] / q
    voltage = [(vs - r[k] * a[k]) / pivot[k] for k, vs in enumerate(source.tolist())]
    for node in range(len(voltage), len(r)):
        voltage.append((voltage[parent[node]] - r[node] * a[node]) / pivot[node])
    return np.array(voltage), np.array(pivot)


def _quantity(name: str, values: ArrayLike, size: int) -> Floats:
    array = np.asarray(values, dtype=np.float64)
    if array.shape not in ((), (size,)):
        raise ValueError(f"{name} has shape {array.shape}: expected ({size},) or one number")
    wrong = np.flatnonzero(~((array >= 0) & (array <= LARGEST_MAGNITUDE)))
    if wrong.size:
        where = f"{name}[{wrong[0]}]" if array.ndim else name
        raise ValueError(f"{where} is {array.flat[wrong[0]]}: expected a finite number, not negative")
    return np.broadcast_to(array, (size,))


def solve(
    forest: Forest,
    *,
    source_voltage_v: ArrayLike,
    source_resistance_ohm: ArrayLike,
    segment_resistance_ohm: ArrayLike,
    current_a: ArrayLike,
    power_w: ArrayLike,
    conductance_s: ArrayLike,
) -> Solution:
    """The stable voltages and currents of every tree, or why it has none.

    source_voltage_v: (t,) [V].
    source_resistance_ohm: (t,) [Ω], shared by all segments that start at the terminal.
    segment_resistance_ohm: (n,) [Ω] of each segment's loop, out and back; zero is allowed.
    current_a: (n,) [A], power_w: (n,) [W], conductance_s: (n,) [S]: the constant-current, constant-power and
    resistive parts of each point's load, which add up.
    One number may stand for a whole array. Raises ValueError, naming the entry, where one is negative, not
    finite or above `LARGEST_MAGNITUDE`.

    Method, proof and the effect of rounding: this module's docstring.

    24 V behind 10 Ω and one load of 10 W: V**2 - 24 V + 100 = 0, V = 12 + sqrt(44). Above 14.4 W = Vs**2 / 4R
    there is no solution (maximum power transfer):

    >>> forest = Forest.build(parent=[-1, -1], tree=[0, 1])
    >>> found = solve(forest, source_voltage_v=24, source_resistance_ohm=0, segment_resistance_ohm=10,
    ...               current_a=0, power_w=[10, 14.41], conductance_s=0)
    >>> found.voltage_v.round(5).tolist()
    [18.63325, nan]
    >>> [REASONS[code] for code in found.reason]
    ['solved', 'no stable solution']
    """
    n, trees, levels, node = forest.parent.size, forest.tree_count, forest.levels, forest.node
    no_load = np.zeros(trees)
    source_voltage = _quantity("source_voltage_v", source_voltage_v, trees)
    # the terminals are the first level
    terminal, point = node[:trees] - n, node[trees:]

    def in_level_order(name: str, values: ArrayLike, at_terminals: Floats) -> Floats:
        ordered = np.empty(len(node))
        # "clip" saves the check that every position is in range
        at_terminals.take(terminal, mode="clip", out=ordered[:trees])
        _quantity(name, values, n).take(point, mode="clip", out=ordered[trees:])
        return ordered

    everything = _WorkingSet(
        levels,
        None,
        source_voltage,
        in_level_order(
            "segment_resistance_ohm",
            segment_resistance_ohm,
            _quantity("source_resistance_ohm", source_resistance_ohm, trees),
        ),
        in_level_order("current_a", current_a, no_load),
        in_level_order("power_w", power_w, no_load),
        in_level_order("conductance_s", conductance_s, no_load),
    )
    # a tree without a solution divides by pivots and voltages of zero or less until it is dropped
    with np.errstate(all="ignore"):
        voltage, reason, iterations = _iterate(everything)
        load = everything.power_w / voltage
        load += everything.current_a
        load += everything.conductance_s * voltage
        branch = load.copy()
        levels.add_to_parents(branch)

    voltage, load, branch = (_in_given_order(values, node) for values in (voltage, load, branch))
    return Solution(
        feasible=reason == SOLVED,
        reason=reason,
        voltage_v=voltage[:n],
        load_current_a=load[:n],
        branch_current_a=branch[:n],
        terminal_voltage_v=voltage[n:],
        source_current_a=branch[n:],
        iterations=iterations,
    )


def _in_given_order(values: Floats, node: Indices) -> Floats:
    given = np.empty_like(values)
    # one array at a time: an assignment to the columns of three at once takes seven times as long
    given[node] = values
    return given


def _iterate(everything: _WorkingSet) -> tuple[Floats, NDArray[np.int8], Indices]:
    """Voltages in level order, the reason and the number of steps of each tree."""
    source, tree = everything.source_voltage_v, everything.levels.tree
    trees = source.size
    answer = np.full(tree.size, np.nan)
    reason = np.full(trees, NO_STABLE_SOLUTION, dtype=np.int8)
    iterations = np.zeros(trees, dtype=np.intp)
    nodes_of_tree = np.bincount(tree, minlength=trees)
    curved = np.zeros(trees, dtype=bool)
    curved[tree[np.flatnonzero(everything.power_w > 0)]] = True
    live = np.ones(trees, dtype=bool)
    previous_fall = np.full(trees, np.inf)
    work, voltage = everything, source[tree]
    for step in range(1, STEP_LIMIT + 1):
        if not live.any():
            break
        iterations[live] = step
        following, pivot = work.step(voltage)
        broken = _trees_with(work.levels.tree, ~((pivot > 0) & (following > 0)), trees)
        fall = np.full(trees, -np.inf)
        # reuses the memory of the voltages before the step, which are not needed again
        np.maximum.at(fall, work.levels.tree, np.divide(voltage, following, out=voltage))
        fall -= 1
        settled = ~curved | (fall <= _SETTLED) | ((fall <= _ROUNDING_MAY_RULE) & (fall >= previous_fall))
        solved = live & settled & ~broken
        if solved.any():
            places = np.flatnonzero(solved[work.levels.tree])
            answer[places if work.place is None else work.place[places]] = following[places]
            reason[solved] = SOLVED
        live &= ~(settled | broken)
        previous_fall, voltage = fall, following
        if nodes_of_tree[live].sum() < (1 - _DROP_ABOVE) * voltage.size:
            kept = np.flatnonzero(live[work.levels.tree])
            voltage, work = voltage[kept], work.only(kept)
    _find_reasons(everything, reason, curved)
    return answer, reason, iterations


def _trees_with(tree: Indices, mark: NDArray[np.bool_], trees: int) -> NDArray[np.bool_]:
    marked = np.zeros(trees, dtype=bool)
    if mark.any():
        marked[tree[mark]] = True
    return marked


def _find_reasons(everything: _WorkingSet, reason: NDArray[np.int8], curved: NDArray[np.bool_]) -> None:
    """Set "voltage not above zero" for trees that have no solution without constant-power loads either."""
    unsolved = reason != SOLVED
    reason[unsolved & ~curved] = VOLTAGE_NOT_ABOVE_ZERO
    unsolved &= curved
    if unsolved.any():
        work = everything.only(np.flatnonzero(unsolved[everything.levels.tree]))
        voltage, _ = work.sweep(work.current_a.copy(), work.conductance_s.copy())
        reason[_trees_with(work.levels.tree, ~(voltage > 0), reason.size)] = VOLTAGE_NOT_ABOVE_ZERO
