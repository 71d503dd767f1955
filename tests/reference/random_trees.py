"""Five hundred random cable trees: chains and branches, all kinds of load and sums of them, splices, segments
of zero length, sources with and without resistance; most of them feasible, many not, some close to collapse.

Only `random.Random.random` is drawn upon, which gives the same numbers on every version and machine, and no
solver is asked: what is close to collapse is so by maximum power transfer, P = Vs² / 4R.
"""

import random
from dataclasses import dataclass, field

SEED = 20_261_125
TREES = 500
LARGEST = 100


@dataclass(frozen=True)
class Tree:
    """A source and its points in an order in which parents come first; parent −1 is the terminal."""

    source_voltage_v: float
    source_resistance_ohm: float
    parent: list[int] = field(default_factory=list)
    segment_resistance_ohm: list[float] = field(default_factory=list)
    current_a: list[float] = field(default_factory=list)
    power_w: list[float] = field(default_factory=list)
    conductance_s: list[float] = field(default_factory=list)


def random_trees() -> list[Tree]:
    """The five hundred, always the same."""
    draw = random.Random(SEED)
    return [_close_to_collapse(draw) if number % 8 == 7 else _anything(draw) for number in range(TREES)]


def _between(draw: random.Random, low: float, high: float) -> float:
    return low + (high - low) * draw.random()


def _empty(draw: random.Random) -> Tree:
    voltage = (24.0, 25.0, 48.0, 70.7, 100.0)[int(draw.random() * 5)]
    return Tree(voltage, 0.0 if draw.random() < 0.4 else _between(draw, 0.05, 2.0))


def _grow(draw: random.Random, tree: Tree, size: int, branching: float) -> None:
    for number in range(size):
        branches_off = draw.random() < branching
        tree.parent.append(int(draw.random() * (number + 1)) - 1 if branches_off else number - 1)
        tree.segment_resistance_ohm.append(0.0 if draw.random() < 0.07 else _between(draw, 0.1, 4.0))
        for loads in (tree.current_a, tree.power_w, tree.conductance_s):
            loads.append(0.0)


def _resistance_from_ideal_source(tree: Tree) -> list[float]:
    paths: list[float] = []
    for parent, resistance in zip(tree.parent, tree.segment_resistance_ohm, strict=True):
        paths.append(resistance + (paths[parent] if parent >= 0 else tree.source_resistance_ohm))
    return paths


def _anything(draw: random.Random) -> Tree:
    tree = _empty(draw)
    # The square favours small trees, which keeps the record of answers small.
    _grow(
        draw, tree, 1 + int(LARGEST * draw.random() ** 2), (0.0, 0.1, 0.3, 0.6, 1.0)[int(draw.random() * 5)]
    )
    paths = _resistance_from_ideal_source(tree)
    kinds = [draw.random() for _ in range(3)]  # how often each kind of load is met in this tree
    for point in range(len(paths)):
        for share, loads in zip(kinds, (tree.current_a, tree.power_w, tree.conductance_s), strict=True):
            if draw.random() < share * 0.6:
                loads[point] = _between(draw, 0.2, 1.0)
    # Each kind of load gets a share of what could be carried if all of it were at one place.
    vs = tree.source_voltage_v
    heaviness = _between(draw, 0.05, 1.3)
    for loads, largest in (
        (tree.current_a, vs),
        (tree.power_w, vs**2 / 4),
        (tree.conductance_s, 2.0),
    ):
        moment = sum(load * path for load, path in zip(loads, paths, strict=True))
        if moment > 0:
            factor = heaviness * _between(draw, 0.2, 1.0) * largest / moment
            loads[:] = [load * factor for load in loads]
    return tree


def _close_to_collapse(draw: random.Random) -> Tree:
    """One constant-power load at the end of a chain, or equal ones on equal segments behind one source."""
    tree = _empty(draw)
    share = (0.9, 0.99, 0.999, 0.9999, 1.0001, 1.001, 1.01, 1.1)[int(draw.random() * 8)]
    size = 1 + int(draw.random() * 20)
    if draw.random() < 0.5:
        _grow(draw, tree, size, 0.0)
        tree.segment_resistance_ohm[0] = 1.0  # so that not all of them are zero
        total = _resistance_from_ideal_source(tree)[-1]
        tree.power_w[-1] = share * tree.source_voltage_v**2 / (4 * total)
    else:
        _grow(draw, tree, size, 0.0)
        segment = _between(draw, 0.1, 4.0)
        tree.parent[:] = [-1] * size
        tree.segment_resistance_ohm[:] = [segment] * size
        total = tree.source_resistance_ohm + segment / size
        tree.power_w[:] = [share * tree.source_voltage_v**2 / (4 * total) / size] * size
    return tree
