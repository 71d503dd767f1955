"""What stands in a closet on a day: switches, networked devices, supplies and amplifiers."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sites.models import (
    Amplifier,
    AmplifierFacts,
    Closet,
    DeviceModel,
    Endpoint,
    EndpointFacts,
    Switch,
)
from sites.selectors import F, T, equipment_before
from sites.wording import counted

from .shown import shown


@dataclass(frozen=True)
class PortHere:
    """A port of a switch to which one of our devices is connected."""

    id: int
    number: int
    endpoint_id: int
    endpoint: str


@dataclass(frozen=True)
class SwitchHere:
    """owner: whose it is and whether it may be touched, in words. touch: whether it may. ports: those
    with one of our devices."""

    id: int
    name: str
    owner: str
    touch: bool
    model: str
    serial: str
    power_supplies: int | None
    ports: tuple[PortHere, ...]
    note: str


@dataclass(frozen=True)
class EndpointHere:
    """powered_by: in words, with the switch and port where it is one."""

    id: int
    name: str
    kind: str
    model: str
    address: str
    vlan: int | None
    multicast_group: str
    page_code: str
    mac: str
    serial: str
    firmware: str
    configuration_backup: str
    warranty_end: dt.date | None
    powered_by: str
    outputs: tuple[int, ...]
    note: str


@dataclass(frozen=True)
class SupplyHere:
    id: int
    name: str
    model: str
    rated_current_a: float | None
    outlet: str
    breaker: str
    ups: str
    battery_installed_on: dt.date | None
    note: str


@dataclass(frozen=True)
class AmplifierHere:
    """line: what it drives, in words. line_voltage_v: null where that is low impedance, or not recorded."""

    id: int
    name: str
    model: str
    rated_power_w: float | None
    line_voltage_v: float | None
    line_known: bool
    line: str
    outlet: str
    breaker: str
    note: str


@dataclass(frozen=True)
class Equipment:
    switches: tuple[SwitchHere, ...]
    endpoints: tuple[EndpointHere, ...]
    supplies: tuple[SupplyHere, ...]
    amplifiers: tuple[AmplifierHere, ...]

    @property
    def in_words(self) -> list[str]:
        """``2 switches``, ``1 supply``; kinds without any are left out."""
        said = (
            (len(self.switches), "switch", "switches"),
            (len(self.endpoints), "networked device", ""),
            (len(self.supplies), "supply", "supplies"),
            (len(self.amplifiers), "amplifier", ""),
        )
        return [counted(count, one, several) for count, one, several in said if count]


def equipment_of(closet: Closet, before: int) -> Equipment:
    """One query, however much stands there."""
    site = equipment_before(before, site_ids=[closet.site_id])

    def here(things: list[tuple[T, F | None]]) -> list[tuple[T, F | None]]:
        return [(thing, row) for thing, row in things if thing.closet_id == closet.pk]  # type: ignore[attr-defined]

    switch_names = {switch.pk: switch.name for switch, _ in site.switches}
    outputs: dict[int, list[int]] = defaultdict(list)
    for output in site.outputs:
        outputs[output.endpoint_id].append(output.number)
    on_switch: dict[int, list[PortHere]] = defaultdict(list)
    # Devices in other closets too, since they may be connected to a switch here
    for endpoint, row in site.endpoints:
        if row is not None and row.port is not None:
            port = row.port
            on_switch[port.switch_id].append(PortHere(port.pk, port.number, endpoint.pk, endpoint.name))
    return Equipment(
        switches=tuple(
            shown(
                SwitchHere,
                row,
                owner=row.get_owner_display(),
                touch=row.owner == Switch.Owner.INTEGRATOR,
                model=_model_of(facts)[1],
                power_supplies=facts.power_supply_count if facts else None,
                ports=tuple(sorted(on_switch[row.pk], key=lambda port: port.number)),
            )
            for row, facts in here(site.switches)
        ),
        endpoints=tuple(
            _endpoint(row, facts, switch_names, outputs[row.pk]) for row, facts in here(site.endpoints)
        ),
        supplies=tuple(
            shown(SupplyHere, row, _model_of(facts)[0], model=_model_of(facts)[1])
            for row, facts in here(site.supplies)
        ),
        amplifiers=tuple(_amplifier(row, facts) for row, facts in here(site.amplifiers)),
    )


def _model_of(facts: Any) -> tuple[DeviceModel | None, str]:
    """The model, and its name; blank: not recorded."""
    model = facts.model if facts is not None else None
    return model, model.name if model is not None else ""


def _endpoint(
    row: Endpoint, facts: EndpointFacts | None, switch_names: Mapping[int, str], outputs: list[int]
) -> EndpointHere:
    model, name = _model_of(facts)
    port = facts.port if facts is not None else None
    if facts is None or facts.power_source == EndpointFacts.PowerSource.UNKNOWN:
        powered_by = "not recorded"
    elif port is None:
        powered_by = facts.get_power_source_display()
    else:
        powered_by = f"PoE from port {port.number} of {switch_names[port.switch_id]}"
    return shown(
        EndpointHere,
        row,
        facts,
        kind=model.get_kind_display() if model else "",
        model=name,
        powered_by=powered_by,
        outputs=tuple(sorted(outputs)),
    )


def _amplifier(row: Amplifier, facts: AmplifierFacts | None) -> AmplifierHere:
    model, name = _model_of(facts)
    volts = facts.line_voltage_v if facts else None
    # No line voltage is how a low-impedance amplifier is recorded; of an unknown one it is unknown
    known = volts is not None or model is not None
    line = f"{volts:g} V line" if volts is not None else "low impedance" if known else "not recorded"
    return shown(AmplifierHere, row, facts, model, model=name, line_known=known, line=line)
