"""The voltage at every point along one run: the numbers among which figure run_voltage takes the worst."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from .bands import HIGH, FloatArray, IntArray
from .figures import any_in_each, extremes, lookup
from .plant import BoolArray, Members, Plant, RunKind, Signal
from .point_loads import PointLoads
from .self_amplified import DcSolution, lowest_voltages, pulled_down, solve_dc
from .wiring import wire


class NoVoltage(IntEnum):
    """Why a point has no voltage in an estimate. NO_SUPPLY: none is recorded at the block. CUT_OFF: its
    negative is cut, and nothing feeds it behind the cut. SEVERAL_FEEDS: what each of them carries cannot be
    computed. SOURCE_NOT_RECORDED: the voltage of its supply is not recorded. OVERLOADED: its run has no
    stable voltage. SUPPLY_OVERLOADED: its supply has none for all that it feeds. SAG_NOT_KNOWN: the supply
    falls under load; by how much is not recorded. NOT_SELF_AMPLIFIED: the run has no DC."""

    KNOWN = 0
    NO_SUPPLY = 1
    CUT_OFF = 2
    SEVERAL_FEEDS = 3
    SOURCE_NOT_RECORDED = 4
    OVERLOADED = 5
    SUPPLY_OVERLOADED = 6
    SAG_NOT_KNOWN = 7
    NOT_SELF_AMPLIFIED = 8


@dataclass(frozen=True)
class RunProfile:
    """The n points of a run, parents before children, as of a step.

    row: (n,) in ``plant.points``; parent: (n,) which of these comes before it, −1 the block. length_m: (3, n)
    of the segment to it, as the network takes it; distance_m: (3, n) along the cable from the block, NaN
    where the length of a segment on the way is not recorded. current_a: (3, n) that it draws while its zone
    is paged, as the limits judge it: of constant power at the voltage there. voltage_v: (3, n) the lowest of
    all scenarios; reason: (3, n) ``NoVoltage`` of what has none; bound: (3, n) the true voltage may be lower.
    minimum_voltage_v: (n,) of its model, NaN not recorded. block_voltage_v: (3,) at the block, NaN where
    nothing feeds the run there or it is not known.
    """

    row: IntArray
    parent: IntArray
    length_m: FloatArray
    distance_m: FloatArray
    current_a: FloatArray
    voltage_v: FloatArray
    reason: IntArray
    bound: BoolArray
    minimum_voltage_v: FloatArray
    block_voltage_v: FloatArray


def run_profile(plant: Plant, step: int, run_id: int, loads: PointLoads) -> RunProfile:
    """The profile of the run of id ``run_id`` as of a step; without points where it does not stand then.

    loads: as ``evaluate`` takes them, scaled by readings. A DC network has one corner an estimate for all of
    its points, long cable with high currents, since each of them lowers every voltage: so the voltage of a
    point is that by which the run is judged where the point is the one that decides. Raises KeyError where
    the plant has no such run.
    """
    found = np.flatnonzero(plant.run_id == run_id)
    if not len(found):
        raise KeyError(f"run {run_id} is not in this plant")
    run = int(found[0])
    group = plant.runs.group[plant.runs.run_index == run][:1]
    members = Members.of_groups(plant, group, np.full(len(group), step))
    wiring = wire(plant, members)
    node = np.flatnonzero(wiring.runs.index[wiring.run] == run)
    row, first = wiring.row[node], int(node[0]) if len(node) else 0
    parent = np.where(wiring.parent[node] >= 0, wiring.parent[node] - first, -1)
    length_m = loads.length_m[:, row]
    recorded = np.isfinite(plant.points.length_m[row])
    drawn = np.full((3, len(row)), np.nan), np.full((3, len(row)), np.nan)
    voltage, reason, bound, at_block = _without_voltage(len(row))
    if plant.run_kind[run] == RunKind.SELF_AMPLIFIED:
        solved = solve_dc(plant, members, wiring, loads)
        of_node = solved.network.wiring.run
        here = np.flatnonzero(solved.network.wiring.runs.index[of_node] == run)
        voltage, reason, bound = _voltages(plant, solved, here)
        at_block = _at_block(solved, here)
        tones = solved.signal[of_node[here]] == Signal.TONES
        drawn = loads.drawn(row, np.ones(len(row), np.bool_), tones)
    amps, watts = drawn
    with np.errstate(invalid="ignore"):
        current = amps + np.where(watts > 0, watts / voltage, 0.0)
    return RunProfile(
        row=row,
        parent=parent,
        length_m=length_m,
        distance_m=_along(parent, np.where(recorded, length_m, np.nan)),
        current_a=current,
        voltage_v=voltage,
        reason=reason,
        bound=bound,
        minimum_voltage_v=np.where(loads.loaded[row], loads.minimum_voltage_v[row], np.nan),
        block_voltage_v=at_block,
    )


def _without_voltage(points: int) -> tuple[FloatArray, IntArray, BoolArray, FloatArray]:
    shape = (3, points)
    return (
        np.full(shape, np.nan),
        np.full(shape, int(NoVoltage.NOT_SELF_AMPLIFIED)),
        np.zeros(shape, np.bool_),
        np.full(3, np.nan),
    )


def _voltages(plant: Plant, solved: DcSolution, here: IntArray) -> tuple[FloatArray, IntArray, BoolArray]:
    """Voltage, why there is none, and whether the true one may be lower: each (3, n), at the nodes ``here``
    (n,) of the network."""
    network, nodes = solved.network, len(solved.network.wiring.row)
    voltage = lowest_voltages(solved)[:, here]
    overloaded = any_in_each(solved.node, solved.overloaded, nodes)[:, here]
    bound = any_in_each(solved.node, solved.voltage_bound, nodes)[:, here] & ~overloaded
    voltage[overloaded] = np.nan
    stuck = np.isnan(voltage) & bound
    sags = pulled_down(solved)[here]
    voltage[HIGH, sags] = np.nan

    tree, feeds = network.tree[here], network.feeds[here]
    cut = plant.points.negative_cut[network.wiring.row][network.top[here]]
    reason = np.zeros(voltage.shape, np.int64)
    reason[HIGH, sags] = NoVoltage.SAG_NOT_KNOWN
    reason[stuck] = NoVoltage.SUPPLY_OVERLOADED
    reason[overloaded] = NoVoltage.OVERLOADED
    reason[:, np.isnan(lookup(solved.source.voltage_v, tree))] = NoVoltage.SOURCE_NOT_RECORDED
    reason[:, feeds == 0] = np.where(cut[feeds == 0], NoVoltage.CUT_OFF, NoVoltage.NO_SUPPLY)
    reason[:, feeds > 1] = NoVoltage.SEVERAL_FEEDS
    return voltage, reason, bound


def _at_block(solved: DcSolution, here: IntArray) -> FloatArray:
    """(3,) the lowest voltage of the supply at the block in all scenarios, NaN where none feeds the run
    there."""
    network, source = solved.network, solved.source
    from_block = here[network.from_block[here]]
    if not len(from_block):
        return np.full(3, np.nan)
    tree = int(network.tree[from_block[0]])
    terminal = source.voltage_v[solved.tree] - source.resistance_ohm[solved.tree] * solved.source_current
    (lowest,) = extremes(solved.tree, terminal, len(source.row), largest=False)[:, [tree]].T
    lowest[any_in_each(solved.tree, solved.source_overloaded, len(source.row))[:, tree]] = np.nan
    lowest[HIGH] = np.nan if pulled_down(solved)[from_block[0]] else lowest[HIGH]
    return np.asarray(lowest)


def _along(parent: IntArray, length_m: FloatArray) -> FloatArray:
    """(3, n) the lengths summed from the block to each point. parent: (n,) parents before children."""
    distance = length_m.copy()
    for point, before in enumerate(parent.tolist()):
        if before >= 0:
            distance[:, point] += distance[:, before]
    return distance
