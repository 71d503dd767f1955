"""Power from switches to endpoints: allocation, one supply lost, measured power, ports, and cable lengths.

A switch is judged by allocation against its whole budget and against the budget left when its largest power
supply is lost, and, where a reading exists, by measured power against its usage threshold (RFC 3621; 0.8
where unset).
"""

from __future__ import annotations

import numpy as np

from .bands import FloatArray, IntArray, lengths
from .figures import FigureBlock, Subjects, first_known, lookup, sums
from .plant import BoolArray, Members, Plant, State, select
from .poe import (
    CHANNEL_RESISTANCE_OHM,
    MAX_CHANNEL_M,
    POWERED_PAIRS,
    PSE_MINIMUM_V,
    PSE_POWER_W,
    allocation_w,
    power_at_source,
)
from .point_loads import segment_resistance_ohm_per_m
from .subjects import SubjectKind
from .wiring import locate, rows_of


def evaluate_network_power(plant: Plant, members: Members) -> list[FigureBlock]:
    """Figures poe_allocated, poe_one_supply_lost, poe_measured (by switch), port_power (by port) and
    endpoint_cable (by endpoint)."""
    owner, row = select(plant, "endpoints", members)
    on_port = rows_of(
        plant, "ports", "port_index", members, member=owner, thing=plant.endpoints.port_index[row]
    )
    return [
        *_switches(plant, members, owner, row, on_port),
        _ports(plant, owner, row, on_port),
        _cables(plant, owner, row),
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

    def allocated(owner: IntArray, port_row: IntArray, power_w: FloatArray) -> FloatArray:
        at, found = locate(key, owner * width + plant.ports.switch_index[port_row])
        return sums(at[found], power_w[found], switches)

    powered = on_port >= 0
    ends = allocation_w(plant.endpoints.poe_class[row[powered]], plant.endpoints.granted_w[row[powered]])
    port_owner, port_row = select(plant, "ports", members)
    other = plant.ports.other_load[port_row]
    port_owner, port_row = port_owner[other], port_row[other]
    others = allocation_w(plant.ports.other_class[port_row], plant.ports.other_power_w[port_row])
    total = allocated(owner[powered], on_port[powered], ends) + allocated(port_owner, port_row, others)

    def block(
        code: str, keep: BoolArray, figure: FloatArray, limit: FloatArray, detail: IntArray | int = -1
    ) -> FigureBlock:
        return FigureBlock.of(
            code,
            Subjects(SubjectKind.SWITCH, member, table.switch_index[switch_row], table.group[switch_row]),
            bands=figure,
            limit=limit,
            detail=detail,
            keep=keep,
        )

    budget, one_lost = table.budget_w[switch_row], table.budget_one_lost_w[switch_row]
    # a switch that loses its only power supply loses everything: no figure of its load
    supplies = table.power_supply_count[switch_row]
    redundant = (supplies >= 2) | ((supplies < 0) & ~np.isnan(one_lost))

    reading_owner, reading_row = select(plant, "poe_readings", members)
    readings = plant.poe_readings
    to, found = locate(key, reading_owner * width + readings.switch_index[reading_row])
    # a paging reading goes before an idle one, then a later one before an earlier one
    rank = np.where(readings.state[reading_row] == State.PAGING, 1, 0)
    last = np.lexsort((readings.begin[reading_row], rank))
    chosen = np.full(switches, -1)
    chosen[to[last][found[last]]] = reading_row[last][found[last]]
    threshold = first_known(table.usage_threshold[switch_row], plant.factors.poe_usage_threshold)
    measured, reading_id = lookup(readings.power_w, chosen), lookup(readings.reading_id, chosen)
    return [
        block("poe_allocated", total > 0, total, budget),
        block("poe_one_supply_lost", (total > 0) & redundant, total, one_lost),
        block("poe_measured", chosen >= 0, measured, budget * threshold, reading_id),
    ]


def _banded_lengths(plant: Plant, row: IntArray) -> FloatArray:
    table = plant.endpoints
    return lengths(table.length_m[row], table.length_basis[row], np.ones(len(row), np.bool_), plant.factors)


def _ports(plant: Plant, owner: IntArray, row: IntArray, on_port: IntArray) -> FigureBlock:
    """Power at the port for its endpoint's paging power, over its own cable, against the class's PSE power.

    A channel that cannot carry that power gets the most it can carry, V²/(2R) at the source: always more than
    the class allows.
    """
    table = plant.endpoints
    keep = (on_port >= 0) & ~np.isnan(table.paging_power_w[row])
    owner, row, on_port = owner[keep], row[keep], on_port[keep]
    poe_class = np.maximum(table.poe_class[row], 0)
    site = plant.group_site[table.group[row]]
    per_m = segment_resistance_ohm_per_m(plant, table.cable_index[row], plant.temperature_c[site])
    length = _banded_lengths(plant, row)
    ohm = 2.0 * per_m * length / POWERED_PAIRS[poe_class]
    ohm = np.where(np.isnan(table.length_m[row]), np.minimum(ohm, CHANNEL_RESISTANCE_OHM[poe_class]), ohm)
    volts = PSE_MINIMUM_V[poe_class]
    with np.errstate(divide="ignore"):
        drawn = first_known(power_at_source(table.paging_power_w[row], volts, ohm), volts**2 / (2.0 * ohm))
    return FigureBlock.of(
        "port_power",
        Subjects(SubjectKind.PORT, owner, plant.ports.port_index[on_port], table.group[row]),
        bands=drawn,
        limit=PSE_POWER_W[poe_class],
        detail=plant.endpoint_id[table.endpoint_index[row]],
    )


def _cables(plant: Plant, owner: IntArray, row: IntArray) -> FigureBlock:
    table = plant.endpoints
    return FigureBlock.of(
        "endpoint_cable",
        Subjects(SubjectKind.ENDPOINT, owner, table.endpoint_index[row], table.group[row]),
        bands=_banded_lengths(plant, row),
        limit=MAX_CHANNEL_M,
    )
