"""Trees of cable solved by plain recursion: DC loads by walking the tree until nothing moves, resistive loads
by putting series and parallel together."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass
class Node:
    """A point of a tree. parent: place of its parent in the list, None at the source. ohm: of its segment."""

    parent: int | None
    ohm: float
    amps: float = 0.0
    watts: float = 0.0
    siemens: float = 0.0


@dataclass
class Solved:
    """By node: voltage, current of its load, current in its segment. terminal_v, source_a: of the source."""

    volts: list[float]
    load_a: list[float]
    branch_a: list[float]
    terminal_v: float
    source_a: float


@dataclass
class Undecided(Exception):  # noqa: N818 - it says what is so
    """The network is so close to collapse that walking does not show whether there is a solution."""

    nodes: int = field(default=0)


WALKS = 20_000


def order_of(nodes: list[Node]) -> list[int]:
    """Places in an order in which every parent comes before its children."""
    children: dict[int | None, list[int]] = {}
    for place, node in enumerate(nodes):
        children.setdefault(node.parent, []).append(place)
    order = list(children.get(None, []))
    for place in order:
        order += children.get(place, [])
    return order


def solve_dc(nodes: list[Node], source_v: float, source_ohm: float, *, walks: int = WALKS) -> Solved | None:
    """The stable solution of loads of constant current and constant power; None where there is none.

    Begin with the source voltage at every load. Take the load currents at these voltages, add them up towards
    the source, take the drops back out, and begin again with the voltages found. A lower voltage means more
    current of a constant-power load and so a lower voltage again: the voltages only ever fall, and stay above
    every solution, so where they come to rest is the highest solution, and where one reaches nothing there is
    none. Raises Undecided where they do neither in so many walks.
    """
    order = order_of(nodes)
    back = order[::-1]
    count = len(nodes)
    volts = [source_v] * count
    load = [node.amps for node in nodes]
    powered = [place for place in order if nodes[place].watts > 0]
    for _ in range(walks):
        for place in powered:
            load[place] = nodes[place].amps + nodes[place].watts / volts[place]
        branch = list(load)
        source_a = 0.0
        for place in back:
            parent = nodes[place].parent
            if parent is None:
                source_a += branch[place]
            else:
                branch[parent] += branch[place]
        terminal = source_v - source_ohm * source_a
        found = [0.0] * count
        moved = 0.0
        for place in order:
            node = nodes[place]
            above = terminal if node.parent is None else found[node.parent]
            found[place] = above - node.ohm * branch[place]
            moved = max(moved, volts[place] - found[place])
        if terminal <= 0 or any(v <= 0 for v in found):
            return None
        volts = found
        if not powered or moved <= 4e-16 * source_v * 8:
            return Solved(volts, load, branch, terminal, source_a)
    raise Undecided(count)


def solve_resistive(nodes: list[Node], source_ohm: float) -> list[float]:
    """Voltage of every node, of conductances behind a source of 1 V and source_ohm.

    Seen from above, a segment and all behind it is one conductance: 1 / (ohm + 1 / inner), inner being what
    is at the node and behind it, side by side.
    """
    order = order_of(nodes)
    inner = [node.siemens for node in nodes]
    total = 0.0
    for place in order[::-1]:
        node = nodes[place]
        seen = inner[place] / (1 + node.ohm * inner[place])
        if node.parent is None:
            total += seen
        else:
            inner[node.parent] += seen
    terminal = 1 / (1 + source_ohm * total)
    volts = [0.0] * len(nodes)
    for place in order:
        node = nodes[place]
        above = terminal if node.parent is None else volts[node.parent]
        volts[place] = above / (1 + node.ohm * inner[place])
    return volts


def path_of(nodes: list[Node], place: int) -> set[int]:
    """The places from a node up to the source."""
    path = set()
    at: int | None = place
    while at is not None:
        path.add(at)
        at = nodes[at].parent
    return path
