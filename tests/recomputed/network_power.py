"""Power over the data cable (domain reference, section 3.5)."""

from __future__ import annotations

import math
from typing import Final

from .bands import conductor_ohm_per_m, each, factor, length_m
from .figures import ENDPOINT, PORT, SWITCH, Figure, Key, or_nan
from .record import Record, Row

# class: watts at the source, volts at the source at least, ohms of the channel, pairs that carry power
CLASSES: Final = {
    0: (15.4, 44.0, 20.0, 2), 1: (4.0, 44.0, 20.0, 2), 2: (7.0, 44.0, 20.0, 2), 3: (15.4, 44.0, 20.0, 2),
    4: (30.0, 50.0, 12.5, 2), 5: (45.0, 50.0, 6.25, 4), 6: (60.0, 50.0, 6.25, 4), 7: (75.0, 52.0, 6.25, 4),
    8: (90.0, 52.0, 6.25, 4),
}  # fmt: skip
LONGEST_M: Final = 100.0


def network_power_figures(record: Record, step: int) -> dict[Key, Figure]:
    figures: dict[Key, Figure] = {}
    ports = {row["id"]: row for row in record.standing("switch_port", step)}
    endpoints = [
        (row, record.at("endpoint_facts", row["id"], step)) for row in record.standing("endpoint", step)
    ]
    for switch in record.standing("switch", step):
        own = {port_id for port_id, port in ports.items() if port["switch_id"] == switch["id"]}
        watts = [_set_aside(record, facts) for _, facts in endpoints if facts.get("port_id") in own]
        for port_id in own:
            facts = record.at("switch_port_facts", port_id, step)
            if facts.get("other_load"):
                watts.append(_granted(facts["other_load_class"], facts["other_load_power_w"]))
        _switch(record, figures, step, switch, sum(watts))
    for row, facts in endpoints:
        band = length_m(
            record, facts.get("cable_length_m"), facts.get("cable_length_basis", 0), home_run=True
        )
        figures["endpoint_cable", ENDPOINT, row["id"]] = Figure(band, LONGEST_M)
        if facts.get("port_id") in ports:
            _port(record, figures, facts)
    return figures


def _granted(poe_class: int | None, negotiated_w: float | None) -> float:
    """What was negotiated, else the class's; an unknown class is class 0."""
    return CLASSES[poe_class or 0][0] if negotiated_w is None else negotiated_w


def _class_of(record: Record, facts: Row) -> int | None:
    negotiated = facts.get("negotiated_class")
    poe_class: int | None = record.model(facts).get("poe_class") if negotiated is None else negotiated
    return poe_class


def _set_aside(record: Record, facts: Row) -> float:
    return _granted(_class_of(record, facts), facts.get("negotiated_power_w"))


def _switch(record: Record, figures: dict[Key, Figure], step: int, switch: Row, watts: float) -> None:
    facts = record.at("switch_facts", switch["id"], step)
    model = record.model(facts)
    budget, one_lost = model.get("poe_budget_w"), model.get("poe_budget_one_lost_w")
    supplies = facts.get("power_supply_count")
    if watts > 0:
        figures["poe_allocated", SWITCH, switch["id"]] = Figure((watts, watts, watts), or_nan(budget))
        redundant = one_lost is not None if supplies is None else supplies >= 2
        if redundant:
            figures["poe_one_supply_lost", SWITCH, switch["id"]] = Figure(
                (watts, watts, watts), or_nan(one_lost)
            )
    measured = _measured(record, switch["id"], step)
    if measured is not None:
        threshold = facts.get("usage_threshold")
        if threshold is None:
            threshold = factor(record, "poe_usage_threshold")
        figures["poe_measured", SWITCH, switch["id"]] = Figure(
            (measured, measured, measured), or_nan(budget) * threshold
        )


def _measured(record: Record, switch_id: int, step: int) -> float | None:
    """The last reading while paging, else the last while idle: of each supply group, read on one day,
    summed."""
    superseded = {row["supersedes_id"] for row in record.rows["reading"].values()}
    for state in ("paging", "idle"):
        days: dict[int, dict[int | None, float]] = {}
        for row in record.rows["reading"].values():  # by id: of a group and day the last one counts
            if row["switch_id"] == switch_id and row["state"] == state and row["id"] not in superseded:
                days.setdefault(row["step"], {})[row["power_group"]] = row["value"]
        held = [day for day in days if day <= step]
        if held:
            return sum(days[max(held)].values())
    return None


def _port(record: Record, figures: dict[Key, Figure], facts: Row) -> None:
    """What the port must put in for its endpoint to page; more than one endpoint on it: the worst."""
    watts = record.model(facts).get("paging_poe_w")
    if watts is None:
        return
    allowed_w, volts, channel_ohm, pairs = CLASSES[_class_of(record, facts) or 0]
    length = length_m(record, facts["cable_length_m"], facts["cable_length_basis"], home_run=True)
    per_m = conductor_ohm_per_m(record, facts["cable_type_id"])

    def put_in(band: int) -> float:
        ohm = 2 * per_m[band] * length[band] / pairs
        if facts["cable_length_m"] is None:
            ohm = min(ohm, channel_ohm)
        if ohm == 0:
            return float(watts)
        left = volts**2 - 4 * ohm * watts
        if left < 0:  # it cannot carry that much: the most that it can stands for it
            return volts**2 / (2 * ohm)
        return volts * (volts - math.sqrt(left)) / (2 * ohm)

    key = ("port_power", PORT, facts["port_id"])
    found = Figure(each(put_in), allowed_w)
    known = figures.get(key)
    if known is None or found.verdict("port_power") > known.verdict("port_power"):
        figures[key] = found


