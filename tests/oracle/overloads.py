"""One supply and all that it feeds, in three estimates, also where it cannot serve all of it.

Plain and by the rule: solve all; where that has no solution, each run alone behind the supply's voltage;
leave out those that have none, draw what they draw at the terminals, and solve the others again.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from .networks import Node, Solved, order_of, solve_dc
from .values import NAN


@dataclass
class Served:
    """One estimate. By node: volts (NaN where there is none), amps in its segment, and whether the true ones
    may be harsher. overloaded: runs without a stable voltage. stuck: the supply has no stable current;
    source_a is then the least that it could be."""

    volts: list[float]
    branch_a: list[float]
    source_a: float
    volts_bound: list[bool]
    branch_bound: list[bool]
    source_bound: bool = False
    overloaded: set[int] = field(default_factory=set)
    stuck: bool = False
    solved: bool = True


def serve(bands: list[list[Node]], runs: list[int], source_v: float, source_ohm: float) -> list[Served]:
    """The estimates, from the kindest on. bands: the nodes in each. runs: the run of each node. Raises
    Undecided."""
    found: list[Served] = []
    for nodes in bands:
        solved = solve_dc(nodes, source_v, source_ohm)
        if solved is not None:
            never = [False] * len(nodes)
            found.append(Served(solved.volts, solved.branch_a, solved.source_a, never, list(never)))
            continue
        kinder = _watts_part(bands[len(found) - 1], found[-1].branch_a) if found else None
        found.append(_serve_what_can_be(nodes, runs, source_v, source_ohm, kinder))
    return found


def nothing_said(count: int) -> Served:
    """An estimate of which nothing is compared."""
    never = [False] * count
    return Served([NAN] * count, [0.0] * count, 0.0, never, never, solved=False)


def _watts_part(nodes: list[Node], branch_a: list[float]) -> list[float]:
    """The part of the current in each segment that loads in watts behind it draw."""
    constant = behind(nodes, [node.amps for node in nodes])
    return [all_of_it - amps for all_of_it, amps in zip(branch_a, constant, strict=True)]


def _serve_what_can_be(
    nodes: list[Node], runs: list[int], source_v: float, source_ohm: float, kinder: list[float] | None
) -> Served:
    count = len(nodes)
    constant = behind(nodes, [node.amps for node in nodes])
    asked = behind(nodes, [node.watts / source_v for node in nodes])
    has_watts = [watts > 0 for watts in behind(nodes, [node.watts for node in nodes])]
    in_watts = [
        0.0 if not some else max(amps, 0.0 if kinder is None else kinder[k])
        for k, (amps, some) in enumerate(zip(asked, has_watts, strict=True))
    ]
    at_least = [a + b for a, b in zip(constant, in_watts, strict=True)]

    overloaded = {
        run
        for run in set(runs)
        if solve_dc(_part(nodes, [k for k in range(count) if runs[k] == run]), source_v, 0.0) is None
    }
    left_out = [runs[k] in overloaded for k in range(count)]
    tops = [k for k in range(count) if nodes[k].parent is None]
    drawn = sum(at_least[k] for k in tops if left_out[k])
    beside_watts = any(has_watts[k] for k in tops if left_out[k])
    served = Served(
        [NAN] * count,
        [at_least[k] if left_out[k] else NAN for k in range(count)],
        drawn,
        [False] * count,
        [False] * count,
        source_bound=beside_watts,
        overloaded=set(overloaded),
        solved=False,
    )

    rest = [k for k in range(count) if not left_out[k]]
    if rest:
        # what is left out, as one more load at the terminals
        part = [*_part(nodes, rest), Node(None, 0.0, amps=drawn)]
        solved = solve_dc(part, source_v, source_ohm)
        if solved is None and not any(has_watts[k] for k in rest):
            solved = _ohms_law(part, source_v, source_ohm)
        served.stuck = solved is None
        served.source_a += sum(at_least[k] for k in tops if not left_out[k])
        if solved is not None:
            served.source_a = solved.source_a
        for place, k in enumerate(rest):
            served.volts[k] = NAN if solved is None else solved.volts[place]
            served.branch_a[k] = at_least[k] if solved is None else solved.branch_a[place]
        served.overloaded |= {runs[k] for k in rest if served.volts[k] <= 0}
    doubtful = beside_watts or served.stuck
    for k in range(count):
        is_over = runs[k] in served.overloaded
        served.volts[k] = NAN if is_over else served.volts[k]
        served.volts_bound[k] = doubtful and not is_over
        served.branch_bound[k] = has_watts[k] and (left_out[k] or doubtful)
    return served


def _part(nodes: list[Node], kept: list[int]) -> list[Node]:
    """Some nodes, whole runs, by themselves."""
    place = {k: number for number, k in enumerate(kept)}
    parents = (nodes[k].parent for k in kept)
    return [
        replace(nodes[k], parent=None if parent is None else place[parent])
        for k, parent in zip(kept, parents, strict=True)
    ]


def _ohms_law(nodes: list[Node], source_v: float, source_ohm: float) -> Solved:
    """Constant currents: add them up, and take the drops out, whether a voltage is left or not."""
    branch = behind(nodes, [node.amps for node in nodes])
    source_a = sum(amps for amps, node in zip(branch, nodes, strict=True) if node.parent is None)
    terminal = source_v - source_ohm * source_a
    volts = [NAN] * len(nodes)
    for k in order_of(nodes):
        above = nodes[k].parent
        volts[k] = (terminal if above is None else volts[above]) - nodes[k].ohm * branch[k]
    return Solved(volts, [node.amps for node in nodes], branch, terminal, source_a)


def behind(nodes: list[Node], amounts: list[float]) -> list[float]:
    """By node, the sum over it and all behind it."""
    total = list(amounts)
    for k in reversed(order_of(nodes)):
        above = nodes[k].parent
        if above is not None:
            total[above] += total[k]
    return total
