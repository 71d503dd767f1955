"""Power from switches to endpoints: allocation, one supply lost, measured power, ports, and cable lengths.

A switch is judged by allocation against its whole budget and against what is left with its largest power
supply lost, and by measured power against its usage threshold (RFC 3621; 0.8 where unset) where a reading
exists.
"""

from __future__ import annotations

import numpy as np

from .bands import FloatArray, IntArray, lengths
from .figures import FigureBlock, sums
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
    port_owner, port_row = select(plant, "ports", members)
    port = plant.endpoints.port_index[row]
    on_port = rows_of(plant, "ports", "port_index", members, member=owner, thing=np.maximum(port, 0))
    on_port = np.where(port >= 0, on_port, -1)
    return (
        _switches(plant, members, owner, row, on_port, port_owner, port_row)
        + _ports(plant, owner, row, on_port)
        + _cables(plant, owner, row)
    )


def _switches(
    plant: Plant,
    members: Members,
    owner: IntArray,
    row: IntArray,
    on_port: IntArray,
    port_owner: IntArray,
    port_row: IntArray,
) -> list[FigureBlock]:
    switch_owner, switch_row = select(plant, "switches", members)
    width = max(len(plant.switch_id), 1)
    key = switch_owner * width + plant.switches.switch_index[switch_row]
    order = np.argsort(key)
    key, switch_owner, switch_row = key[order], switch_owner[order], switch_row[order]
    count = len(key)
    powered = on_port >= 0
    ends, found_e = locate(key, owner[powered] * width + plant.ports.switch_index[on_port[powered]])
    allocated = allocation_w(plant.endpoints.poe_class[row[powered]], plant.endpoints.granted_w[row[powered]])
    other = plant.ports.other_load[port_row]
    others, found_o = locate(key, port_owner[other] * width + plant.ports.switch_index[port_row[other]])
    other_w = allocation_w(
        plant.ports.other_class[port_row[other]], plant.ports.other_power_w[port_row[other]]
    )
    total = sums(ends[found_e], allocated[found_e], count) + sums(others[found_o], other_w[found_o], count)

    table = plant.switches
    budget = table.budget_w[switch_row]

    def block(
        code: str, keep: BoolArray, figure: FloatArray, limit: FloatArray, detail: IntArray | None
    ) -> FigureBlock:
        return FigureBlock.of(
            code,
            SubjectKind.SWITCH,
            member=switch_owner[keep],
            subject=table.switch_index[switch_row[keep]],
            group=table.group[switch_row[keep]],
            bands=np.stack([figure[keep]] * 3),
            limit=limit[keep],
            detail=None if detail is None else detail[keep],
        )

    # with one power supply, losing it loses everything: that says nothing about the load
    supplies = table.power_supply_count[switch_row]
    one_lost = table.budget_one_lost_w[switch_row]
    redundant = (supplies >= 2) | ((supplies < 0) & ~np.isnan(one_lost))
    feeds = total > 0
    blocks = [
        block("poe_allocated", feeds, total, budget, None),
        block("poe_one_supply_lost", feeds & redundant, total, one_lost, None),
    ]

    reading_owner, reading_row = select(plant, "poe_readings", members)
    readings = plant.poe_readings
    to, found = locate(key, reading_owner * width + readings.switch_index[reading_row])
    # a paging reading says more than an idle one; of a kind, the one that holds on the day
    rank = np.where(readings.state[reading_row] == State.PAGING, 1, 0)
    last = np.lexsort((readings.begin[reading_row], rank))
    chosen = np.full(count, -1)
    chosen[to[last][found[last]]] = reading_row[last][found[last]]
    has = chosen >= 0
    threshold = table.usage_threshold[switch_row]
    threshold = np.where(np.isnan(threshold), plant.factors.poe_usage_threshold, threshold)
    blocks.append(
        block(
            "poe_measured",
            has,
            np.append(readings.power_w, np.nan)[chosen],
            budget * threshold,
            np.append(readings.reading_id, -1)[chosen],
        )
    )
    return blocks


def _banded_lengths(plant: Plant, row: IntArray) -> FloatArray:
    table = plant.endpoints
    return lengths(table.length_m[row], table.length_basis[row], np.ones(len(row), np.bool_), plant.factors)


def _ports(plant: Plant, owner: IntArray, row: IntArray, on_port: IntArray) -> list[FigureBlock]:
    """What a port must put in for its endpoint's paging power, over its own cable, against the class's PSE
    power.

    Where the channel cannot carry the power at all, the most it can carry, V²/(2R) at the source, stands for
    it: always more than the class allows.
    """
    table = plant.endpoints
    keep = (on_port >= 0) & ~np.isnan(table.paging_power_w[row])
    owner, row, on_port = owner[keep], row[keep], on_port[keep]
    poe_class = np.where(table.poe_class[row] < 0, 0, table.poe_class[row])
    site = plant.group_site[table.group[row]]
    per_m = segment_resistance_ohm_per_m(plant, table.cable_index[row], plant.temperature_c[site])
    length = _banded_lengths(plant, row)
    ohm = 2.0 * per_m * length / POWERED_PAIRS[poe_class]
    ohm = np.where(np.isnan(table.length_m[row]), np.minimum(ohm, CHANNEL_RESISTANCE_OHM[poe_class]), ohm)
    volts = PSE_MINIMUM_V[poe_class]
    drawn = power_at_source(table.paging_power_w[row], volts, ohm)
    with np.errstate(divide="ignore"):
        drawn = np.where(np.isnan(drawn), volts**2 / (2.0 * ohm), drawn)
    return [
        FigureBlock.of(
            "port_power",
            SubjectKind.PORT,
            member=owner,
            subject=plant.ports.port_index[on_port],
            group=table.group[row],
            bands=drawn,
            limit=PSE_POWER_W[poe_class],
            detail=plant.endpoint_id[table.endpoint_index[row]],
        )
    ]


def _cables(plant: Plant, owner: IntArray, row: IntArray) -> list[FigureBlock]:
    table = plant.endpoints
    return [
        FigureBlock.of(
            "endpoint_cable",
            SubjectKind.ENDPOINT,
            member=owner,
            subject=table.endpoint_index[row],
            group=table.group[row],
            bands=_banded_lengths(plant, row),
            limit=MAX_CHANNEL_M,
        )
    ]
