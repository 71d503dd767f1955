"""The power that a switch allocates to its ports on a day, in the order in which they keep it, and which of
them are expected to lose it.

Nothing here computes a power: ``zones.electrical.network_power`` does, as for the figures.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Mapping, Set
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from sites.changes.steps import day_of, first_step_after
from sites.models import Switch, SwitchPortFacts
from sites.selectors import facts_before
from sites.snapshot import reading_snapshot
from sites.wording import counted, numbers, plural
from zones.electrical.bands import HIGH, LIKELY, LOW, FloatArray, IntArray
from zones.electrical.bearing import bearing
from zones.electrical.figures import sums
from zones.electrical.network_power import (
    Connected,
    budgets,
    connected,
    expected_shedding,
    keep_order,
    port_types,
    readings_of,
    usage_thresholds,
)
from zones.electrical.plant import Members, Plant, State, select
from zones.electrical.subjects import SubjectKind
from zones.limits.amounts import amount
from zones.limits.limit import Detail
from zones.plant.selectors import read_plant
from zones.subjects import look_up

from .site_loads import known

_PRIORITIES: Final = list(SwitchPortFacts.Priority)
"""By their numbers in the plant."""


class CountedBy(StrEnum):
    """What the power of a load is counted by. assumed: neither class nor power is recorded, so it is class
    0."""

    NEGOTIATED = "negotiated"
    RECORDED = "recorded"
    CLASS = "class"
    ASSUMED = "assumed"


@dataclass(frozen=True)
class LoadOnPort:
    """One device on a port, ours or another. endpoint_id: null for another load. poe_class: null where it is
    not recorded. allocated_w: what the switch allocates to it; capped: it asks for more, and a port of this
    type delivers no more."""

    endpoint_id: int | None
    name: str
    poe_class: int | None
    counted_by: CountedBy
    allocated_w: float
    capped: bool

    @property
    def words(self) -> str:
        """``counted 15.4 W, class not recorded``."""
        said = {
            CountedBy.NEGOTIATED: "{}, negotiated",
            CountedBy.RECORDED: "{}, as recorded",
            CountedBy.CLASS: f"{{}}, class {self.poe_class}",
            CountedBy.ASSUMED: "counted {}, class not recorded",
        }[self.counted_by].format(amount(self.allocated_w, "W"))
        return f"{said}; asks for more than its port delivers" if self.capped else said


@dataclass(frozen=True)
class PortPower:
    """A port with something on it. low_w, allocated_w, high_w: what the switch allocates to it, by estimates;
    cumulative_w: with all ports that keep power before it. loses_power: whether it is expected to lose power
    with the power supplies fitted; loses_power_one_lost: with one of them lost; null: that budget is not
    known."""

    id: int
    number: int
    priority: SwitchPortFacts.Priority
    port_type: int | None
    loads: tuple[LoadOnPort, ...]
    low_w: float
    allocated_w: float
    high_w: float
    cumulative_w: float
    loses_power: bool | None
    loses_power_one_lost: bool | None
    zone_ids: tuple[int, ...]

    @property
    def expected(self) -> str:
        """What becomes of it when power is short."""
        if self.loses_power:
            return "expected to lose power with the supplies fitted"
        if self.loses_power_one_lost:
            return "expected to lose power with one supply lost"
        if self.loses_power is None:
            return "not known: budget not recorded"
        return "keeps power"


@dataclass(frozen=True)
class Measured:
    """The reading by which the switch is judged: of all its ports together."""

    reading_id: int
    power_w: float
    paging: bool
    taken_on: dt.date


@dataclass(frozen=True, eq=False)
class SwitchPower:
    """ports: in the order in which they keep power. free: numbers of the ports with nothing recorded on
    them. budget_w, one_lost_w: with the power supplies fitted, and with the largest of them lost; redundant:
    whether losing one leaves another, as far as is known. threshold_w: what the switch may deliver when
    measured."""

    as_of: dt.date
    supplies: int | None
    budget_w: float | None
    redundant: bool
    one_lost_w: float | None
    threshold: float
    threshold_w: float | None
    measured: Measured | None
    allocated_w: float
    ports: tuple[PortPower, ...]
    free: tuple[int, ...]

    @property
    def sentences(self) -> tuple[str, ...]:
        """What it has allocated, and what is expected to lose power, now and with one supply lost."""
        on = counted(len(self.ports), "port")
        said = [
            f"{amount(self.allocated_w, 'W')} allocated to {on}; {self._budget('budget', self.budget_w)}."
        ]
        if self.budget_w is not None:
            said += _losing("With the power supplies fitted", self.ports, "loses_power")
        if not self.redundant and self.supplies is not None:
            said.append("It has one power supply: without it every port loses power.")
        elif not self.redundant:
            said.append("How many power supplies are fitted is not recorded.")
        elif self.one_lost_w is None:
            said.append("The budget with one power supply lost is not recorded.")
        else:
            said.append(f"With its largest power supply lost, {amount(self.one_lost_w, 'W')} is left.")
            said += _losing("Then", self.ports, "loses_power_one_lost") or ["Then every port keeps power."]
        return tuple(said)

    @staticmethod
    def _budget(name: str, watts: float | None) -> str:
        return f"{name} not recorded" if watts is None else f"{name} {amount(watts, 'W')}"


def _losing(when: str, ports: Iterable[PortPower], how: str) -> list[str]:
    lost = [port.number for port in ports if getattr(port, how)]
    if not lost:
        return []
    noun, verb = plural(len(lost), "port"), plural(len(lost), "is", "are")
    return [f"{when}, {noun} {numbers(lost)} {verb} expected to lose power."]


def switch_power(switch: Switch, as_of: dt.date) -> SwitchPower:
    """What a switch allocates as of the end of a day on which it stood, as known now."""
    with reading_snapshot():
        plant = read_plant([switch.site_id])
    members = Members.of_sites(plant, first_step_after(as_of) - 1)
    index = int(np.searchsorted(plant.switch_id, switch.pk))
    _, rows = select(plant, "switches", members)
    row = rows[plant.switches.switch_index[rows] == index]
    of_supplies = budgets(plant, row)
    budget_w, one_lost_w = known(of_supplies.budget_w[0]), known(of_supplies.one_lost_w[0])
    threshold = float(usage_thresholds(plant, row)[0])
    _, port_row = select(plant, "ports", members)
    port_row = port_row[plant.ports.switch_index[port_row] == index]
    port_row = port_row[keep_order(plant.ports.priority[port_row], plant.ports.number[port_row])]
    loads = connected(plant, members)
    in_use = np.isin(port_row, loads.port_row)
    free = np.sort(plant.ports.number[port_row[~in_use]])
    ports = _ports(plant, members, row, port_row[in_use], loads, budget_w, one_lost_w)
    return SwitchPower(
        as_of=as_of,
        supplies=int(of_supplies.supplies[0]) if of_supplies.supplies[0] >= 0 else None,
        budget_w=budget_w,
        redundant=bool(of_supplies.redundant[0]),
        one_lost_w=one_lost_w,
        threshold=threshold,
        threshold_w=None if budget_w is None else budget_w * threshold,
        measured=_measured(plant, members, index),
        allocated_w=ports[-1].cumulative_w if ports else 0.0,
        ports=ports,
        free=tuple(free.tolist()),
    )


def _ports(
    plant: Plant,
    members: Members,
    switch_row: IntArray,
    port_row: IntArray,
    loads: Connected,
    budget_w: float | None,
    one_lost_w: float | None,
) -> tuple[PortPower, ...]:
    """port_row: (n,) those with something on them, in the order in which they keep power."""
    table = plant.ports
    place = {row: at for at, row in enumerate(port_row.tolist())}
    chosen = np.flatnonzero(np.isin(loads.port_row, port_row))
    owner = np.array([place[row] for row in loads.port_row[chosen].tolist()], np.int64)
    total = sums(owner, loads.allocated_w[:, chosen], len(port_row))
    on_port: dict[int, list[LoadOnPort]] = defaultdict(list)
    names = _names(plant, loads, chosen, int(members.step[0]) + 1)
    for at, load, name in zip(owner.tolist(), chosen.tolist(), names, strict=True):
        on_port[at].append(_load(plant, loads, load, name))
    types = port_types(plant, port_row, np.broadcast_to(switch_row, len(port_row)))
    shed, shed_one_lost = (
        _shed(total[LIKELY], table.priority[port_row], table.number[port_row], watts)
        for watts in (budget_w, one_lost_w)
    )
    zones = _zones_of_ports(plant, members)
    running = np.cumsum(total[LIKELY])
    return tuple(
        PortPower(
            id=(port_id := int(plant.port_id[table.port_index[row]])),
            number=int(table.number[row]),
            priority=_PRIORITIES[table.priority[row]],
            port_type=int(types[at]) if types[at] >= 0 else None,
            loads=tuple(on_port[at]),
            low_w=float(total[LOW, at]),
            allocated_w=float(total[LIKELY, at]),
            high_w=float(total[HIGH, at]),
            cumulative_w=float(running[at]),
            loses_power=shed[at],
            loses_power_one_lost=shed_one_lost[at],
            zone_ids=tuple(sorted(zones[port_id])) if port_id in zones else (),
        )
        for at, row in enumerate(port_row.tolist())
    )


def _shed(
    allocated_w: FloatArray, priority: IntArray, number: IntArray, budget_w: float | None
) -> list[bool] | list[None]:
    if budget_w is None:
        return [None] * len(number)
    shed: list[bool] = expected_shedding(allocated_w, priority, number, budget_w).shed.tolist()
    return shed


def _names(plant: Plant, loads: Connected, chosen: IntArray, before: int) -> list[str]:
    """What people call each of some loads, in the order given; two queries."""
    endpoint, port = loads.endpoint_row[chosen], plant.port_id[plant.ports.port_index[loads.port_row[chosen]]]
    ids = np.where(endpoint >= 0, plant.endpoint_id[plant.endpoints.endpoint_index[endpoint]], -1)
    named = look_up((f"at {Detail.ENDPOINT}", pk) for pk in ids[endpoint >= 0].tolist())
    others = {
        facts.port_id: facts.other_load
        for facts in facts_before(SwitchPortFacts, before, port_id__in=port[endpoint < 0].tolist())
    }
    return [
        others.get(port_id, "") if pk < 0 else named[f"at {Detail.ENDPOINT}", pk].name
        for pk, port_id in zip(ids.tolist(), port.tolist(), strict=True)
    ]


def _load(plant: Plant, loads: Connected, at: int, name: str) -> LoadOnPort:
    requested, allocated = loads.requested_w[LIKELY, at], loads.allocated_w[LIKELY, at]
    row, port = int(loads.endpoint_row[at]), int(loads.port_row[at])
    if row >= 0:
        endpoint_id = int(plant.endpoint_id[plant.endpoints.endpoint_index[row]])
        poe_class = int(plant.endpoints.poe_class[row])
        stated, stated_by = plant.endpoints.negotiated_power_w[row], CountedBy.NEGOTIATED
    else:
        endpoint_id, poe_class = None, int(plant.ports.other_class[port])
        stated, stated_by = plant.ports.other_power_w[port], CountedBy.RECORDED
    of_class = CountedBy.CLASS if poe_class >= 0 else CountedBy.ASSUMED
    return LoadOnPort(
        endpoint_id=endpoint_id,
        name=name,
        poe_class=poe_class if poe_class >= 0 else None,
        counted_by=of_class if np.isnan(stated) else stated_by,
        allocated_w=float(allocated),
        capped=bool(allocated < requested),
    )


def _zones_of_ports(plant: Plant, members: Members) -> Mapping[int, Set[int]]:
    """By the id of a port, the zones that depend on it."""
    bears = bearing(plant, members)
    of_port = bears.subject_kind == int(SubjectKind.PORT)
    found: dict[int, set[int]] = defaultdict(set)
    for port, zone in zip(bears.subject_id[of_port].tolist(), bears.zone_id[of_port].tolist(), strict=True):
        found[port].add(zone)
    return found


def _measured(plant: Plant, members: Members, index: int) -> Measured | None:
    row = int(readings_of(plant, members, np.array([index]))[0])
    if row < 0:
        return None
    readings = plant.poe_readings
    return Measured(
        reading_id=int(readings.reading_id[row]),
        power_w=float(readings.power_w[row]),
        paging=bool(readings.state[row] == State.PAGING),
        taken_on=day_of(int(readings.begin[row])),
    )
