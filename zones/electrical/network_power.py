"""Power over the data cable: from the power of a device to that at its port, and what ports add up to.

A switch is judged by allocation against its whole budget and against the budget left when its largest power
supply is lost, and, where a reading exists, by measured power against its usage threshold (RFC 3621; 0.8
where unset).

Sources: IEEE 802.3 clauses 33 and 145 (class powers, minimum PSE voltages, channel resistances), RFC 3621
(usage threshold, port priorities). The table is from memory of those documents; the tests check its values
against each other by the loss formula.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .bands import FloatArray, IntArray, lengths
from .figures import FigureBlock, Subjects, first_known, lookup, sums
from .plant import Members, Plant, State, place_of, select
from .point_loads import segment_resistance_ohm_per_m
from .subjects import SubjectKind
from .wiring import rows_of

#                     class:  0      1     2     3      4     5    6    7    8
PSE_POWER_W = np.array([15.4, 4.0, 7.0, 15.4, 30.0, 45.0, 60.0, 75.0, 90.0])
PD_POWER_W = np.array([12.95, 3.84, 6.49, 12.95, 25.5, 40.0, 51.0, 62.0, 71.3])
PSE_MINIMUM_V = np.array([44.0, 44.0, 44.0, 44.0, 50.0, 50.0, 50.0, 52.0, 52.0])
CHANNEL_RESISTANCE_OHM = np.array([20.0, 20.0, 20.0, 20.0, 12.5, 6.25, 6.25, 6.25, 6.25])
POWERED_PAIRS = np.array([2, 2, 2, 2, 2, 4, 4, 4, 4])
MAX_CHANNEL_M = 100.0
"""Longest horizontal channel (TIA-568, ISO/IEC 11801)."""


def power_at_device(pse_power_w: ArrayLike, voltage_v: ArrayLike, resistance_ohm: ArrayLike) -> FloatArray:
    """P_PD = P − (P/V)²·R: the power at the device, from the power at its source.

    pse_power_w, voltage_v, resistance_ohm: any shapes that broadcast [W], [V], [Ω]. IEEE 802.3 clauses 33,
    145.

    >>> round(float(power_at_device(15.4, 44.0, 20.0)), 2)
    12.95
    """
    power = np.asarray(pse_power_w, float)
    lost = (power / np.asarray(voltage_v, float)) ** 2 * np.asarray(resistance_ohm, float)
    return np.asarray(power - lost)


def power_at_source(pd_power_w: ArrayLike, voltage_v: ArrayLike, resistance_ohm: ArrayLike) -> FloatArray:
    """P_PSE = V·(V − √(V² − 4·R·P_PD)) / 2R: the power at the source, from the power at the device.

    pd_power_w, voltage_v, resistance_ohm: any shapes that broadcast [W], [V], [Ω]; zero resistance loses
    nothing. Returns NaN where the channel cannot carry that power at any current.

    >>> from zones.electrical.conductors import loop_resistance_ohm
    >>> round(float(power_at_source(12.95, 44.0, loop_resistance_ohm(24, 60.0, parallel_pairs=2))), 2)
    13.42
    """
    power, voltage, resistance = np.broadcast_arrays(
        np.asarray(pd_power_w, float), np.asarray(voltage_v, float), np.asarray(resistance_ohm, float)
    )
    inside = voltage**2 - 4.0 * resistance * power
    root = np.sqrt(np.where(inside >= 0, inside, np.nan))
    # the same as V·(V − √)/2R, without the cancellation that loses digits as R goes to zero
    return np.asarray(2.0 * power * voltage / (voltage + root))


def allocation_w(poe_class: IntArray, granted_w: FloatArray) -> FloatArray:
    """Power allocated to a port: negotiated, else its class's; an unknown class (−1) counts as class 0.

    poe_class: (n,) 0..8 or −1; granted_w: (n,) [W], NaN where nothing was negotiated.

    >>> allocation_w(np.array([3, -1, 4]), np.array([np.nan, np.nan, 21.5])).tolist()
    [15.4, 15.4, 21.5]
    """
    return first_known(granted_w, PSE_POWER_W[np.maximum(poe_class, 0)])


@dataclass(frozen=True)
class Shedding:
    """shed: (n,) True for ports expected to lose power; remaining_w: allocation of the other ports [W]."""

    shed: NDArray[np.bool_]
    remaining_w: float


def expected_shedding(
    allocated_w: FloatArray, priority: IntArray, port_number: IntArray, budget_w: float
) -> Shedding:
    """The ports of one switch that are expected to lose power when its budget does not suffice: low priority
    first, then the highest port number. Many switches refuse the newest port instead.

    allocated_w: (n,) [W]; priority: (n,) 0 critical, 1 high, 2 low (RFC 3621 pethPsePortPowerPriority, less
    one); port_number: (n,); budget_w: [W].

    >>> asked_w = np.array([15.4, 15.4, 15.4])
    >>> expected_shedding(asked_w, np.array([0, 2, 2]), np.array([1, 2, 3]), 31.0).shed.tolist()
    [False, False, True]
    """
    keep_order = np.lexsort((port_number, priority))
    running = np.cumsum(allocated_w[keep_order])
    kept = running <= budget_w * (1 + 1e-12)
    # every port behind the first one that does not fit is shed: shedding starts at the end of the order
    kept = np.logical_and.accumulate(kept)
    shed = np.ones(len(allocated_w), np.bool_)
    shed[keep_order[kept]] = False
    return Shedding(shed=shed, remaining_w=float(allocated_w[~shed].sum()))


def evaluate_network_power(plant: Plant, members: Members) -> list[FigureBlock]:
    """Figures poe_allocated, poe_one_supply_lost, poe_measured (by switch), port_power (by port) and
    endpoint_cable (by endpoint)."""
    owner, row = select(plant, "endpoints", members)
    table = plant.endpoints
    ports = Subjects(SubjectKind.PORT, owner, table.port_index[row], table.group[row])
    on_port = rows_of(plant, members, ports)
    home_run = np.ones(len(row), np.bool_)
    length = lengths(table.length_m[row], table.length_basis[row], home_run, plant.factors)
    endpoints = Subjects(SubjectKind.ENDPOINT, owner, table.endpoint_index[row], table.group[row])
    return [
        *_switches(plant, members, owner, row, on_port),
        _ports(plant, owner, row, on_port, length),
        endpoints.figures("endpoint_cable", bands=length, limit=MAX_CHANNEL_M),
    ]


def _switches(
    plant: Plant, members: Members, owner: IntArray, row: IntArray, on_port: IntArray
) -> list[FigureBlock]:
    table, width = plant.switches, max(len(plant.switch_id), 1)
    member, switch_row = select(plant, "switches", members)
    key = member * width + table.switch_index[switch_row]
    order = np.argsort(key)
    key, member, switch_row = key[order], member[order], switch_row[order]
    switches = len(key)

    powered = on_port >= 0
    ends = allocation_w(plant.endpoints.poe_class[row[powered]], plant.endpoints.granted_w[row[powered]])
    port_owner, port_row = select(plant, "ports", members)
    other = plant.ports.other_load[port_row]
    port_owner, port_row = port_owner[other], port_row[other]
    others = allocation_w(plant.ports.other_class[port_row], plant.ports.other_power_w[port_row])
    total = np.zeros(switches)
    for of, port, power_w in ((owner[powered], on_port[powered], ends), (port_owner, port_row, others)):
        at = place_of(key, of * width + plant.ports.switch_index[port])
        total += sums(at[at >= 0], power_w[at >= 0], switches)

    budget, one_lost = table.budget_w[switch_row], table.budget_one_lost_w[switch_row]
    # a switch that loses its only power supply loses everything: no figure of its load
    supplies = table.power_supply_count[switch_row]
    redundant = (supplies >= 2) | ((supplies < 0) & ~np.isnan(one_lost))

    reading_owner, reading_row = select(plant, "poe_readings", members)
    readings = plant.poe_readings
    to = place_of(key, reading_owner * width + readings.switch_index[reading_row])
    # a paging reading goes before an idle one, then a later one before an earlier one
    rank = np.where(readings.state[reading_row] == State.PAGING, 1, 0)
    last = np.lexsort((readings.begin[reading_row], rank))
    last = last[to[last] >= 0]
    chosen = np.full(switches, -1)
    chosen[to[last]] = reading_row[last]
    threshold = first_known(table.usage_threshold[switch_row], plant.factors.poe_usage_threshold)
    measured, reading_id = lookup(readings.power_w, chosen), lookup(readings.reading_id, chosen)
    subjects = Subjects(SubjectKind.SWITCH, member, table.switch_index[switch_row], table.group[switch_row])
    return [
        subjects.figures("poe_allocated", bands=total, limit=budget, keep=total > 0),
        subjects.figures("poe_one_supply_lost", bands=total, limit=one_lost, keep=(total > 0) & redundant),
        subjects.figures(
            "poe_measured", bands=measured, limit=budget * threshold, detail=reading_id, keep=chosen >= 0
        ),
    ]


def _ports(
    plant: Plant, owner: IntArray, row: IntArray, on_port: IntArray, length: FloatArray
) -> FigureBlock:
    """Power at the port for its endpoint's paging power, over its own cable, against the class's PSE power.

    A channel that cannot carry that power gets the most it can carry, V²/(2R) at the source: always more than
    the class allows.
    """
    table = plant.endpoints
    keep = (on_port >= 0) & ~np.isnan(table.paging_power_w[row])
    owner, row, on_port, length = owner[keep], row[keep], on_port[keep], length[:, keep]
    poe_class = np.maximum(table.poe_class[row], 0)
    site = plant.group_site[table.group[row]]
    per_m = segment_resistance_ohm_per_m(plant, table.cable_index[row], plant.temperature_c[site])
    ohm = 2.0 * per_m * length / POWERED_PAIRS[poe_class]
    ohm = np.where(np.isnan(table.length_m[row]), np.minimum(ohm, CHANNEL_RESISTANCE_OHM[poe_class]), ohm)
    volts = PSE_MINIMUM_V[poe_class]
    with np.errstate(divide="ignore"):
        drawn = first_known(power_at_source(table.paging_power_w[row], volts, ohm), volts**2 / (2.0 * ohm))
    return Subjects(SubjectKind.PORT, owner, plant.ports.port_index[on_port], table.group[row]).figures(
        "port_power",
        bands=drawn,
        limit=PSE_POWER_W[poe_class],
        detail=plant.endpoint_id[table.endpoint_index[row]],
    )
