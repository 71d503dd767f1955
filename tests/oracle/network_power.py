"""Power over the data cable: what switches set aside, what ports must put in, how long cables are."""

from __future__ import annotations

import math
from typing import Any

from .figures import Figure
from .record import ReadingRow, Row
from .standing import Standing
from .values import NAN, Bands, Values

# class: power at the switch [W], least voltage there [V], channel [Ω], pairs that carry it (IEEE 802.3)
CLASSES: dict[int, tuple[float, float, float, int]] = {
    0: (15.4, 44, 20, 2),
    1: (4, 44, 20, 2),
    2: (7, 44, 20, 2),
    3: (15.4, 44, 20, 2),
    4: (30, 50, 12.5, 2),
    5: (45, 50, 6.25, 4),
    6: (60, 50, 6.25, 4),
    7: (75, 52, 6.25, 4),
    8: (90, 52, 6.25, 4),
}
LONGEST_CHANNEL_M = 100.0


def network_power(standing: Standing, values: Values) -> list[Figure]:
    """Figures poe_allocated, poe_one_supply_lost, poe_measured of switches, port_power of ports,
    endpoint_cable of endpoints."""
    ports, endpoints = standing.of("ports"), standing.of("endpoints")
    on_ports = [row for row in endpoints.values() if row["port_id"] in ports]
    figures: list[Figure] = []
    for switch, row in standing.of("switches").items():
        total = 0.0
        for endpoint in on_ports:
            if standing.record.port_switch[endpoint["port_id"]] == switch:
                granted, poe_class = endpoint["negotiated_power_w"], _class_of(standing, endpoint)
                total += CLASSES[poe_class or 0][0] if granted is None else granted
        for port in ports.values():
            if standing.record.port_switch[port.thing] == switch and port["other_load"]:
                granted, poe_class = port["other_load_power_w"], port["other_load_class"]
                total += CLASSES[poe_class or 0][0] if granted is None else granted
        figures += _switch(standing, values, switch, row, total)
    for endpoint in on_ports:
        figures += _port(standing, values, endpoint)
    for endpoint in endpoints.values():
        length = _length(values, endpoint)
        figures.append(Figure(("endpoint", endpoint.thing), "endpoint_cable", length, LONGEST_CHANNEL_M))
    return figures


def _class_of(standing: Standing, endpoint: Row) -> int | None:
    """Negotiated, else the model's."""
    negotiated: int | None = endpoint["negotiated_class"]
    stated: int | None = standing.record.model(endpoint["model_id"]).get("poe_class")
    return stated if negotiated is None else negotiated


def _length(values: Values, endpoint: Row) -> Bands:
    return values.length_m(endpoint["cable_length_m"], endpoint["cable_length_basis"], home_run=True)


def _same(value: float) -> Bands:
    return Bands(value, value, value)


def _switch(standing: Standing, values: Values, switch: int, row: Row, total: float) -> list[Figure]:
    model: dict[str, Any] = standing.record.model(row["model_id"])
    subject = ("switch", switch)
    budget, one_lost = _known(model.get("poe_budget_w")), _known(model.get("poe_budget_one_lost_w"))
    figures = []
    if total > 0:
        figures.append(Figure(subject, "poe_allocated", _same(total), budget))
        supplies = row["power_supply_count"]
        redundant = supplies >= 2 if supplies is not None else not math.isnan(one_lost)
        if redundant:
            figures.append(Figure(subject, "poe_one_supply_lost", _same(total), one_lost))
    measured = _measured(standing, switch)
    if measured is not None:
        power, ids = measured
        threshold = row["usage_threshold"]
        fraction = values.factors["poe_usage_threshold"] if threshold is None else threshold
        figures.append(Figure(subject, "poe_measured", _same(power), budget * fraction, ids))
    return figures


def _known(value: float | None) -> float:
    return NAN if value is None else float(value)


def _measured(standing: Standing, switch: int) -> tuple[float, frozenset[int]] | None:
    """The newest paging reading, or without one the newest idle reading: watts of all supply groups read
    then."""
    for state in ("paging", "idle"):
        taken = [
            each
            for each in standing.record.readings
            if each.switch == switch and each.state == state and each.step <= standing.step
        ]
        if taken:
            newest = max(each.step for each in taken)
            by_group: dict[int | None, ReadingRow] = {}
            for each in taken:  # in the order of their ids: the last of a group on that day counts
                if each.step == newest:
                    by_group[each.group] = each
            return sum(each.value for each in by_group.values()), frozenset(
                {max(each.id for each in by_group.values())}
            )
    return None


def _port(standing: Standing, values: Values, endpoint: Row) -> list[Figure]:
    """What the port must put in for the endpoint to page: P = V·(V − √(V² − 4·R·P_PD)) / 2R."""
    model = standing.record.model(endpoint["model_id"])
    wanted = model.get("paging_poe_w")
    if wanted is None:
        return []
    limit, volts, channel, pairs = CLASSES[_class_of(standing, endpoint) or 0]
    length = _length(values, endpoint)
    per_m = values.conductor_ohm_per_m(endpoint["cable_type_id"])
    power = []
    for band in range(3):
        ohm = 2 * per_m[band] * length[band] / pairs
        if endpoint["cable_length_m"] is None:
            ohm = min(ohm, channel)  # an unknown cable is taken to be one that the standard allows
        power.append(_put_in(wanted, volts, ohm))
    return [
        Figure(("port", endpoint["port_id"]), "port_power", Bands(*power), limit, frozenset({endpoint.thing}))
    ]


def _put_in(wanted: float, volts: float, ohm: float) -> float:
    inside = volts**2 - 4 * ohm * wanted
    if inside < 0:  # the cable cannot carry it at all: the most that it can
        return volts**2 / (2 * ohm)
    if inside < 0.99 * volts**2:
        return volts * (volts - math.sqrt(inside)) / (2 * ohm)
    power = wanted  # where little is lost the formula loses digits: what is put in is what is wanted and lost
    for _ in range(100):
        power = wanted + (power / volts) ** 2 * ohm
    return power
