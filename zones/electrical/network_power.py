"""Power over the data cable: from the power of a device to that at its port, and what ports add up to.

A switch is judged by allocation against the budget of the power supplies fitted and against the budget left
when the largest of them is lost, and, where a reading exists, by measured power against its usage threshold
(RFC 3621; 0.8 where unset). A port gives no more than its type does, so no more than that is allocated to it;
what is connected to it may need more, be it an endpoint or another load.

Sources: IEEE 802.3 clauses 33 and 145 (class powers, powers by port type, minimum PSE voltages, channel
resistances), clause 79 (power by LLDP), RFC 3621 (usage threshold, port priorities). The tables are from
memory of those documents; the tests check their values against each other by the loss formula.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from .bands import HIGH, LIKELY, FloatArray, IntArray, lengths
from .conductors import design_temperature_c
from .figures import FigureBlock, Subjects, first_known, lookup, sums
from .plant import BoolArray, Members, Plant, State, place_of, select
from .point_loads import segment_resistance_ohm_per_m
from .subjects import SubjectKind
from .verdicts import past
from .wiring import rows_of

#                     class:  0      1     2     3      4     5    6    7    8
PSE_POWER_W = np.array([15.4, 4.0, 7.0, 15.4, 30.0, 45.0, 60.0, 75.0, 90.0])
PD_POWER_W = np.array([12.95, 3.84, 6.49, 12.95, 25.5, 40.0, 51.0, 62.0, 71.3])
PSE_MINIMUM_V = np.array([44.0, 44.0, 44.0, 44.0, 50.0, 50.0, 50.0, 52.0, 52.0])
CHANNEL_RESISTANCE_OHM = np.array([20.0, 20.0, 20.0, 20.0, 12.5, 6.25, 6.25, 6.25, 6.25])
POWERED_PAIRS = np.array([2, 2, 2, 2, 2, 4, 4, 4, 4])
#                              type:   1     2     3     4
PORT_TYPE_POWER_W = np.array([np.nan, 15.4, 30.0, 60.0, 90.0])
"""What a port delivers, by its type; there is no type 0."""
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


def endpoint_request_w(plant: Plant, row: IntArray) -> FloatArray:
    """Power that endpoints ask their ports for: by LLDP with the loss of the cable, else of the class.

    row: (n,) of ``plant.endpoints``. Returns (3, n) [W] at the switch, not limited by the port's type.

    LLDP says the power at the device's input (IEEE 802.3 clause 79, from memory). It is capped at what the
    class may draw there, and the request at what the class has at the switch. The loss is that of the
    endpoint's own cable; where its length is not recorded, that of the longest channel. A class that is not
    recorded is class 0, or the lowest class that may draw what was negotiated.
    """
    table = plant.endpoints
    negotiated = table.negotiated_power_w[row]
    by_power = np.minimum(3 + np.searchsorted(PD_POWER_W[3:], negotiated), 8)
    not_recorded = np.where(np.isnan(negotiated), 0, by_power)
    poe_class = np.where(table.poe_class[row] < 0, not_recorded, table.poe_class[row])
    known = ~np.isnan(table.length_m[row])
    own_ohm = _cable_resistance_ohm(plant, row, _cable_lengths_m(plant, row), poe_class)
    ohm = np.where(known, own_ohm, CHANNEL_RESISTANCE_OHM[poe_class])
    at_device = np.minimum(negotiated, PD_POWER_W[poe_class])
    # fmin: without LLDP, and where the cable cannot carry that power, what the class has at the switch
    at_source = power_at_source(at_device, PSE_MINIMUM_V[poe_class], ohm)
    return np.asarray(np.fmin(at_source, PSE_POWER_W[poe_class]))


def other_request_w(plant: Plant, row: IntArray) -> FloatArray:
    """(n,) power that the other loads on ports ask for [W]: as recorded, else of the class.

    row: (n,) of ``plant.ports``.
    """
    table = plant.ports
    return first_known(table.other_power_w[row], PSE_POWER_W[np.maximum(table.other_class[row], 0)])


@dataclass(frozen=True)
class Budgets:
    """PoE budgets of (n,) switches by the power supplies fitted. supplies: that are fitted, −1 not recorded;
    budget_w, one_lost_w: with them, and with one of them lost [W], NaN where the model does not state it for
    that number; redundant: whether losing one leaves another, as far as is known."""

    supplies: IntArray
    budget_w: FloatArray
    one_lost_w: FloatArray
    redundant: BoolArray


def budgets(plant: Plant, row: IntArray) -> Budgets:
    """row: (n,) of ``plant.switches``. A model that takes one power supply has it; how many of several are
    fitted has to be recorded."""
    table = plant.switches
    takes, fitted = table.power_supplies_max[row], table.power_supply_count[row]
    supplies = np.where((fitted < 0) & (takes == 1), 1, fitted)

    def with_supplies(count: IntArray) -> FloatArray:
        fewer = np.where(count == takes - 1, table.budget_one_lost_w[row], np.nan)
        return np.where(count < 1, np.nan, np.where(count == takes, table.budget_w[row], fewer))

    takes_more = (takes >= 2) | ~np.isnan(table.budget_one_lost_w[row])
    return Budgets(
        supplies=supplies,
        budget_w=with_supplies(supplies),
        one_lost_w=with_supplies(supplies - 1),
        redundant=(supplies >= 2) | ((supplies < 0) & takes_more),
    )


def port_types(plant: Plant, port_row: IntArray, switch_row: IntArray) -> IntArray:
    """(n,) type of ports: a port's own, else that of its switch's model; −1 not recorded.

    port_row: (n,) of ``plant.ports``; switch_row: (n,) of ``plant.switches``, −1 none.
    """
    own = lookup(plant.ports.port_type, port_row)
    return np.where(own < 0, lookup(plant.switches.port_type, switch_row), own)


def allocation_w(requested_w: FloatArray, port_type: IntArray) -> FloatArray:
    """(…, n) power that a switch allocates [W]: what is asked for, and at most what a port of its type
    delivers.

    requested_w: (…, n) [W]; port_type: (n,), −1 not recorded, and then no cap.

    >>> allocation_w(np.array([30.0, 30.0, 30.0]), np.array([1, 2, -1])).tolist()
    [15.4, 30.0, 30.0]
    """
    return np.asarray(np.fmin(requested_w, lookup(PORT_TYPE_POWER_W, port_type)))


def keep_order(priority: IntArray, port_number: IntArray) -> IntArray:
    """(n,) places of the ports of one switch in the order in which they keep power: critical first, then the
    lowest port number.

    priority: (n,) 0 critical, 1 high, 2 low; port_number: (n,).
    """
    return np.lexsort((port_number, priority))


@dataclass(frozen=True)
class Shedding:
    """shed: (n,) True for ports expected to lose power; remaining_w: allocation of the other ports [W]."""

    shed: BoolArray
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
    order = keep_order(priority, port_number)
    running = np.cumsum(allocated_w[order])
    kept = running <= budget_w * (1 + 1e-12)
    # every port behind the first one that does not fit is shed: shedding starts at the end of the order
    kept = np.logical_and.accumulate(kept)
    shed = np.ones(len(allocated_w), np.bool_)
    shed[order[kept]] = False
    return Shedding(shed=shed, remaining_w=float(allocated_w[~shed].sum()))


NETWORK_POWER_CODES: Final = frozenset(
    {"poe_allocated", "poe_one_supply_lost", "poe_measured", "port_power", "port_type", "endpoint_cable"}
)


def evaluate_network_power(plant: Plant, members: Members) -> list[FigureBlock]:
    """Figures poe_allocated, poe_one_supply_lost, poe_measured (by switch), port_power, port_type (by port)
    and endpoint_cable (by endpoint)."""
    owner, row = select(plant, "endpoints", members)
    table = plant.endpoints
    endpoints = Subjects(SubjectKind.ENDPOINT, owner, table.endpoint_index[row], table.group[row])
    length = _cable_lengths_m(plant, row)
    loads = connected(plant, members)
    return [
        *_switches(plant, members, loads),
        *_ports(plant, loads),
        endpoints.figures("endpoint_cable", bands=length, limit=MAX_CHANNEL_M),
    ]


@dataclass(frozen=True)
class Connected:
    """What is connected to ports. owner: (n,) number of the member; port_row: (n,) of ``plant.ports``;
    endpoint_row: (n,) of ``plant.endpoints``, −1 for another load; port_type: (n,) −1 not
    recorded; requested_w: (3, n)."""

    owner: IntArray
    port_row: IntArray
    endpoint_row: IntArray
    port_type: IntArray
    requested_w: FloatArray

    @property
    def allocated_w(self) -> FloatArray:
        """(3, n) what the switch allocates to each [W]."""
        return allocation_w(self.requested_w, self.port_type)


def connected(plant: Plant, members: Members) -> Connected:
    """Every endpoint that is on a port, then every other load."""
    owner, row = select(plant, "endpoints", members)
    table = plant.endpoints
    on_port = rows_of(
        plant, members, Subjects(SubjectKind.PORT, owner, table.port_index[row], table.group[row])
    )
    owner, row, on_port = owner[on_port >= 0], row[on_port >= 0], on_port[on_port >= 0]
    other_owner, other_row = select(plant, "ports", members)
    other = plant.ports.other_load[other_row]
    other_owner, other_row = other_owner[other], other_row[other]

    owner, port_row = np.append(owner, other_owner), np.append(on_port, other_row)
    switches = Subjects(
        SubjectKind.SWITCH, owner, plant.ports.switch_index[port_row], plant.ports.group[port_row]
    )
    others_w = np.broadcast_to(other_request_w(plant, other_row), (3, len(other_row)))
    return Connected(
        owner=owner,
        port_row=port_row,
        endpoint_row=np.append(row, np.full(len(other_row), -1)),
        port_type=port_types(plant, port_row, rows_of(plant, members, switches)),
        requested_w=np.concatenate([endpoint_request_w(plant, row), others_w], axis=1),
    )


def _switches(plant: Plant, members: Members, connected: Connected) -> list[FigureBlock]:
    table, width = plant.switches, max(len(plant.switch_id), 1)
    member, switch_row = select(plant, "switches", members)
    key = member * width + table.switch_index[switch_row]
    order = np.argsort(key)
    key, member, switch_row = key[order], member[order], switch_row[order]
    switches = len(key)

    at = place_of(key, connected.owner * width + plant.ports.switch_index[connected.port_row])
    allocated = connected.allocated_w
    total = sums(at[at >= 0], allocated[:, at >= 0], switches)
    in_use = total[LIKELY] > 0
    of_supplies = budgets(plant, switch_row)

    chosen = readings_of(plant, members, key)
    readings = plant.poe_readings
    measured, reading_id = lookup(readings.power_w, chosen), lookup(readings.reading_id, chosen)
    subjects = Subjects(SubjectKind.SWITCH, member, table.switch_index[switch_row], table.group[switch_row])
    return [
        subjects.figures("poe_allocated", bands=total, limit=of_supplies.budget_w, keep=in_use),
        subjects.figures(
            "poe_one_supply_lost",
            bands=total,
            limit=of_supplies.one_lost_w,
            # a switch that loses its only power supply loses everything: no figure of its load
            keep=in_use & of_supplies.redundant,
        ),
        subjects.figures(
            "poe_measured",
            bands=measured,
            limit=of_supplies.budget_w * usage_thresholds(plant, switch_row),
            detail=reading_id,
            keep=chosen >= 0,
        ),
    ]


def readings_of(plant: Plant, members: Members, switch: IntArray) -> IntArray:
    """(n,) row of ``plant.poe_readings`` by which each switch is judged; −1 none. A paging reading goes
    before an idle one, then a later one before an earlier one.

    switch: (n,) ascending, number of the member × number of switches in the plant + index of the switch.
    """
    owner, row = select(plant, "poe_readings", members)
    readings = plant.poe_readings
    to = place_of(switch, owner * max(len(plant.switch_id), 1) + readings.switch_index[row])
    rank = np.where(readings.state[row] == State.PAGING, 1, 0)
    last = np.lexsort((readings.begin[row], rank))
    last = last[to[last] >= 0]
    chosen = np.full(len(switch), -1)
    chosen[to[last]] = row[last]
    return chosen


def usage_thresholds(plant: Plant, row: IntArray) -> FloatArray:
    """(n,) share of its budget that a switch may deliver; row: of ``plant.switches``."""
    return first_known(plant.switches.usage_threshold[row], plant.factors.poe_usage_threshold)


def _ports(plant: Plant, connected: Connected) -> list[FigureBlock]:
    """What a port must deliver for its endpoint to page, over its own cable, against its class's PSE power;
    and what is connected to it needs, what it asks for or more where it pages with more, against the type of
    the port.

    A channel that cannot carry the paging power gets the most it can carry, V²/(2R) at the source: always
    more than the class allows. A type that is not recorded leaves open only what no type 1 port delivers.
    """
    table = plant.endpoints
    has_endpoint = connected.endpoint_row >= 0
    row = connected.endpoint_row[has_endpoint]
    poe_class = np.maximum(table.poe_class[row], 0)
    volts, paging = PSE_MINIMUM_V[poe_class], table.paging_power_w[row]
    ohm = _cable_resistance_ohm(plant, row, _cable_lengths_m(plant, row), poe_class)
    ohm = np.where(np.isnan(table.length_m[row]), np.minimum(ohm, CHANNEL_RESISTANCE_OHM[poe_class]), ohm)
    with np.errstate(divide="ignore"):
        most = np.where(np.isnan(paging), np.nan, volts**2 / (2.0 * ohm))
        drawn = first_known(power_at_source(paging, volts, ohm), most)
    needed = connected.requested_w.copy()
    needed[:, has_endpoint] = np.fmax(needed[:, has_endpoint], drawn)
    delivered = lookup(PORT_TYPE_POWER_W, connected.port_type)
    matters = ~np.isnan(delivered) | past(needed[HIGH], PORT_TYPE_POWER_W[1], at_least=False)
    endpoint_id = lookup(plant.endpoint_id[table.endpoint_index], connected.endpoint_row)
    of_port = plant.ports.port_index[connected.port_row]
    ports = Subjects(SubjectKind.PORT, connected.owner, of_port, plant.ports.group[connected.port_row])
    return [
        ports.only(has_endpoint).figures(
            "port_power",
            bands=drawn,
            limit=PSE_POWER_W[poe_class],
            detail=endpoint_id[has_endpoint],
            keep=~np.isnan(paging),
        ),
        ports.figures("port_type", bands=needed, limit=delivered, detail=endpoint_id, keep=matters),
    ]


def _cable_lengths_m(plant: Plant, row: IntArray) -> FloatArray:
    """(3, n) length of the data cables of endpoints [m]; where it is not recorded, the length of a home
    run."""
    table = plant.endpoints
    home_run = np.ones(len(row), np.bool_)
    return lengths(table.length_m[row], table.length_basis[row], home_run, plant.factors)


def _cable_resistance_ohm(
    plant: Plant, row: IntArray, length_m: FloatArray, poe_class: IntArray
) -> FloatArray:
    """(3, n) resistance out and back of the data cables of endpoints, over the pairs that carry power [Ω]."""
    table = plant.endpoints
    site = plant.group_site[table.group[row]]
    temperature = design_temperature_c(plant.temperature_c[site])
    per_m = segment_resistance_ohm_per_m(plant, table.cable_index[row], temperature)
    return np.asarray(2.0 * per_m * length_m / POWERED_PAIRS[poe_class])
