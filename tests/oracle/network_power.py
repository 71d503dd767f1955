"""Power over the data cable: what switches allocate, what ports must deliver, how long cables are."""

from __future__ import annotations

import math
from typing import Any

from .figures import Figure, Rule, is_past
from .record import ReadingRow, Row
from .standing import Standing
from .values import NAN, Bands, Values

# class: power at the switch [W], least voltage there [V], channel [Ω], pairs that carry it (IEEE 802.3)
# and power that the device may draw at its own end [W]
CLASSES: dict[int, tuple[float, float, float, int, float]] = {
    0: (15.4, 44, 20, 2, 12.95),
    1: (4, 44, 20, 2, 3.84),
    2: (7, 44, 20, 2, 6.49),
    3: (15.4, 44, 20, 2, 12.95),
    4: (30, 50, 12.5, 2, 25.5),
    5: (45, 50, 6.25, 4, 40),
    6: (60, 50, 6.25, 4, 51),
    7: (75, 52, 6.25, 4, 62),
    8: (90, 52, 6.25, 4, 71.3),
}
TYPES: dict[int, float] = {1: 15.4, 2: 30, 3: 60, 4: 90}
LONGEST_CHANNEL_M = 100.0


def network_power(standing: Standing, values: Values) -> list[Figure]:
    """Figures poe_allocated, poe_one_supply_lost, poe_measured of switches, port_power and port_type of
    ports, endpoint_cable of endpoints."""
    ports, endpoints = standing.of("ports"), standing.of("endpoints")
    on_ports = [row for row in endpoints.values() if row["port_id"] in ports]
    others = [port for port in ports.values() if port["other_load"]]
    figures: list[Figure] = []
    for switch, row in standing.of("switches").items():
        wanted = [(endpoint["port_id"], _asked(standing, values, endpoint)) for endpoint in on_ports]
        wanted += [(port.thing, _asked_by_other(port)) for port in others]
        shares = [
            _granted(standing, port, asked)
            for port, asked in wanted
            if standing.record.port_switch[port] == switch
        ]
        total = Bands(*(sum(share[band] for share in shares) for band in range(3)))
        figures += _switch(standing, values, switch, row, total)
    for endpoint in on_ports:
        figures += _port(standing, values, endpoint)
    for port in others:
        figures += _by_type(standing, port.thing, _asked_by_other(port), frozenset())
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


def _asked_by_other(port: Row) -> Bands:
    stated, poe_class = port["other_load_power_w"], port["other_load_class"]
    return _same(CLASSES[poe_class or 0][0] if stated is None else stated)


def _type_of(standing: Standing, port: int) -> int | None:
    """The port's own, else that of its switch's model."""
    own: int | None = standing.of("ports")[port]["port_type"]
    switch = standing.of("switches").get(standing.record.port_switch[port])
    if own is None and switch is not None:
        own = standing.record.model(switch["model_id"]).get("port_type")
    return own


def _granted(standing: Standing, port: int, asked: Bands) -> Bands:
    """Allocated power: a port delivers at most what its type does."""
    of_type = _type_of(standing, port)
    return asked if of_type is None else Bands(*(min(each, TYPES[of_type]) for each in asked))


def _asked(standing: Standing, values: Values, endpoint: Row) -> Bands:
    """Allocated power. LLDP says what the device draws at its own end: the switch allocates the loss of the
    cable as well, and never more than the class has."""
    poe_class, lldp = _class_of(standing, endpoint), endpoint["negotiated_power_w"]
    if lldp is None:
        return _same(CLASSES[poe_class or 0][0])
    if poe_class is None:  # the first class that may draw so much, or the greatest
        poe_class = next((number for number in (0, 4, 5, 6, 7, 8) if lldp <= CLASSES[number][4]), 8)
    most, volts, channel, pairs, may_draw = CLASSES[poe_class]
    power = []
    for band in range(3):
        ohm = channel
        if endpoint["cable_length_m"] is not None:
            per_m = values.conductor_ohm_per_m(endpoint["cable_type_id"])[band]
            ohm = 2 * per_m * _length(values, endpoint)[band] / pairs
        power.append(min(_put_in(min(lldp, may_draw), volts, ohm), most))
    return Bands(*power)


def _switch(standing: Standing, values: Values, switch: int, row: Row, total: Bands) -> list[Figure]:
    model: dict[str, Any] = standing.record.model(row["model_id"])
    subject = ("switch", switch)
    takes, fitted = model.get("power_supplies_max"), row["power_supply_count"]
    if fitted is None and takes == 1:
        fitted = 1
    stated: dict[int, float] = {}  # budget by the number of supplies
    if takes is not None:
        stated = {
            takes: _known(model.get("poe_budget_w")),
            takes - 1: _known(model.get("poe_budget_one_lost_w")),
        }
        stated.pop(0, None)
    budget = NAN if fitted is None else stated.get(fitted, NAN)
    figures = []
    if total.likely > 0:
        figures.append(Figure(subject, "poe_allocated", total, budget))
        if fitted is None:
            several = (takes or 0) > 1 or model.get("poe_budget_one_lost_w") is not None
            left = NAN
        else:
            several, left = fitted > 1, stated.get(fitted - 1, NAN)
        if several:
            figures.append(Figure(subject, "poe_one_supply_lost", total, left))
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
    then, or of the switch as a whole where that was read last."""
    for state in ("paging", "idle"):
        taken = [
            each
            for each in standing.record.readings
            if each.switch == switch and each.state == state and each.step <= standing.step
        ]
        if taken:
            newest = max(each.step for each in taken)
            then = sorted((each for each in taken if each.step == newest), key=lambda each: each.taken)
            as_a_whole = then[-1].group is None
            by_group: dict[int | None, ReadingRow] = {}
            for each in then:  # the last of a group on that day counts
                if (each.group is None) == as_a_whole:
                    by_group[each.group] = each
            return sum(each.value for each in by_group.values()), frozenset(
                {max(each.id for each in by_group.values())}
            )
    return None


def _port(standing: Standing, values: Values, endpoint: Row) -> list[Figure]:
    """What the port must deliver for the endpoint to page, and what its type can deliver."""
    paging = _paging(standing, values, endpoint)
    figures = [] if paging is None else [paging]
    needed = _asked(standing, values, endpoint)
    if paging is not None:
        needed = Bands(*(max(asked, drawn) for asked, drawn in zip(needed, paging.bands, strict=True)))
    return figures + _by_type(standing, endpoint["port_id"], needed, frozenset({endpoint.thing}))


def _by_type(standing: Standing, port: int, needed: Bands, where: frozenset[int]) -> list[Figure]:
    """What is connected to a port against its type; a type that is not recorded matters above type 1."""
    of_type = _type_of(standing, port)
    if of_type is None and not is_past(needed.high, TYPES[1], Rule()):
        return []
    limit = NAN if of_type is None else TYPES[of_type]
    return [Figure(("port", port), "port_type", needed, limit, where)]


def _paging(standing: Standing, values: Values, endpoint: Row) -> Figure | None:
    """P = V·(V − √(V² − 4·R·P_PD)) / 2R."""
    model = standing.record.model(endpoint["model_id"])
    wanted = model.get("paging_poe_w")
    if wanted is None:
        return None
    limit, volts, channel, pairs, _ = CLASSES[_class_of(standing, endpoint) or 0]
    length = _length(values, endpoint)
    per_m = values.conductor_ohm_per_m(endpoint["cable_type_id"])
    power = []
    for band in range(3):
        ohm = 2 * per_m[band] * length[band] / pairs
        if endpoint["cable_length_m"] is None:
            ohm = min(ohm, channel)  # an unknown cable is taken to be one that the standard allows
        power.append(_put_in(wanted, volts, ohm))
    return Figure(
        ("port", endpoint["port_id"]), "port_power", Bands(*power), limit, frozenset({endpoint.thing})
    )


def _put_in(wanted: float, volts: float, ohm: float) -> float:
    inside = volts**2 - 4 * ohm * wanted
    if inside < 0:  # the cable cannot carry it at all: the most that it can
        return volts**2 / (2 * ohm)
    if inside < 0.99 * volts**2:
        return volts * (volts - math.sqrt(inside)) / (2 * ohm)
    # Where little is lost the formula loses digits, so iterate: power at the port is what is wanted plus loss
    power = wanted
    for _ in range(100):
        power = wanted + (power / volts) ** 2 * ohm
    return power
