"""Files about what stands in the closets: switches, endpoints, supplies, amplifiers, blocks."""

from __future__ import annotations

from collections.abc import Iterator

from sites.changes.errors import Problem
from sites.models import (
    Amplifier,
    AmplifierFacts,
    Basis,
    Block,
    Endpoint,
    EndpointFacts,
    Output,
    Supply,
    SupplyFacts,
    Switch,
    SwitchFacts,
    SwitchPort,
    SwitchPortFacts,
)
from sites.rules.equipment import power_fits
from zones.asbuilt.cells import Rows

from .kinds import Estimated, OfField, Reference, Values, file_kind, together

MODEL = OfField("model", help="Name in device_models.csv; blank: unknown.")


SWITCHES = file_kind(
    "switches",
    "What feeds endpoints with data and PoE.",
    MODEL,
    model=Switch,
    facts=SwitchFacts,
)

SWITCH_PORTS = file_kind(
    "switch_ports",
    "Ports that matter: those that feed our endpoints, and those with other loads. A row may stand for a "
    "range.",
    OfField("number", "port", "Port number, or a range such as 1-24.", Rows),
    model=SwitchPort,
    facts=SwitchPortFacts,
    key=("switch", "port"),
)


def _port_and_power(values: Values) -> Iterator[Problem]:
    yield from together(values, "switch", "port")
    power = values.get("power_source") or EndpointFacts.PowerSource.PORT
    yield from power_fits(on_port=values.get("port") is not None, power_source=power)


def _powered(attributes: Values, values: Values) -> None:
    if "power_source" not in values and values.get("port") is not None:
        attributes["power_source"] = EndpointFacts.PowerSource.PORT.value


ENDPOINTS = file_kind(
    "endpoints",
    "Networked audio devices: gateways, network speakers, network amplifiers.",
    OfField("closet", help="Blank where it is in a room."),
    MODEL,
    OfField("power_source", help="Blank: port where a port is given, else unknown."),
    Reference("port", "switch_ports", ("switch", "port"), dated=True),
    OfField("cable_length_m", help="From the switch."),
    OfField("cable_type", "cable", "Name in cable_types.csv."),
    model=Endpoint,
    facts=EndpointFacts,
    estimates=(Estimated("cable_length_m", "cable_length_basis", Basis.DRAWING),),
    check=_port_and_power,
    fill=_powered,
)

OUTPUTS = file_kind(
    "outputs",
    "Analog audio outputs of endpoints. A row may stand for a range.",
    OfField("number", "output", "Number, or a range such as 1-4.", Rows),
    model=Output,
    key=("endpoint", "output"),
)

SUPPLIES = file_kind(
    "supplies",
    "DC sources for self-amplified speakers.",
    OfField("model", help="Name in device_models.csv; blank: unknown, and nothing it feeds can be judged."),
    model=Supply,
    facts=SupplyFacts,
)

AMPLIFIERS = file_kind(
    "amplifiers",
    "Amplifiers of constant-voltage and low-impedance lines.",
    MODEL,
    model=Amplifier,
    facts=AmplifierFacts,
)

BLOCKS = file_kind(
    "blocks",
    "Termination blocks, where equipment and field cable meet.",
    model=Block,
)
