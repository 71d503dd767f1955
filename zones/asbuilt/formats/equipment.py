"""Files about what stands in the closets: switches, endpoints, supplies, amplifiers, blocks."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

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
from zones.asbuilt.cells import Address, Rows

from .kinds import (
    FOOT,
    Column,
    Estimated,
    FileKind,
    Reference,
    Values,
    basis,
    day,
    number,
    quantity,
    text,
    together,
    whole,
    word,
)

IN_CLOSET = Reference("closet", "closets", ("closet",), required=True)
CLOSET = text("closet", limit=80, field=None, required=True, default=None)
MODEL = Reference("model", "device_models", ("model",), dated=True)


def model_column(help_: str = "") -> Column:
    return text(
        "model",
        help_ or "Name in device_models.csv; blank: unknown.",
        limit=120,
        field=None,
        dated=True,
        default=None,
    )


def one_each(column: str) -> Any:
    """An ``expand`` for a column that may hold a range: one record for each number in it."""

    def expand(values: Values) -> list[Values]:
        return [{**values, column: number_} for number_ in values[column]]

    return expand


SWITCHES = FileKind(
    name="switches",
    about="What feeds endpoints with data and PoE.",
    model=Switch,
    facts=SwitchFacts,
    facts_of="switch",
    key=("name",),
    placed=True,
    references=(IN_CLOSET, MODEL),
    columns=(
        text("name", limit=80, required=True),
        CLOSET,
        word(
            "owner",
            Switch.Owner.values,
            "Whose it is: a customer's switch is not to be touched.",
            default="unknown",
        ),
        text("serial", limit=80),
        text("note"),
        model_column(),
        whole("power_supply_count", 0, 16, "Power supplies fitted; blank: unknown.", dated=True),
        number(
            "usage_threshold",
            "Fraction of the budget, 0.01 to 0.99 (RFC 3621); blank: 0.8.",
            minimum=0.01,
            maximum=0.99,
            dated=True,
        ),
    ),
)

SWITCH_PORTS = FileKind(
    name="switch_ports",
    about="Ports that matter: those that feed our endpoints, and those with other loads. A row may stand for "
    "a range.",
    model=SwitchPort,
    facts=SwitchPortFacts,
    facts_of="port",
    key=("switch", "port"),
    placed=True,
    references=(Reference("switch", "switches", ("switch",), required=True),),
    expand=one_each("port"),
    columns=(
        text("switch", limit=80, field=None, required=True, default=None),
        Column("port", Rows(0, 9999), "Port number, or a range such as 1-24.", field="number", required=True),
        word("priority", SwitchPortFacts.Priority.values, dated=True, default="low"),
        text("other_load", "What hangs on it that is not ours; blank: nothing.", limit=120, dated=True),
        whole("other_load_class", 0, 8, dated=True),
        number("other_load_power_w", "Allocated power, where known.", minimum=0, dated=True),
    ),
)


def _port_and_power(values: Values) -> Iterator[Problem]:
    yield from together(values, "switch", "port")
    power = values.get("power_source") or EndpointFacts.PowerSource.PORT
    yield from power_fits(on_port=values.get("port") is not None, power_source=power)


def _powered(attributes: Values, values: Values) -> None:
    if attributes["power_source"] is None:
        attributes["power_source"] = "unknown" if values.get("port") is None else "port"


ENDPOINTS = FileKind(
    name="endpoints",
    about="Networked audio devices: gateways, network speakers, network amplifiers.",
    model=Endpoint,
    facts=EndpointFacts,
    facts_of="endpoint",
    key=("name",),
    placed=True,
    references=(
        Reference("closet", "closets", ("closet",)),
        MODEL,
        Reference("port", "switch_ports", ("switch", "port"), dated=True),
        Reference("cable_type", "cable_types", ("cable",), dated=True),
    ),
    estimates=(Estimated("cable_length_m", "cable_length_basis", Basis.DRAWING),),
    check=_port_and_power,
    fill=_powered,
    columns=(
        text("name", limit=80, required=True),
        text("closet", "Blank where it hangs in a room.", limit=80, field=None, default=None),
        text("place", "Where to find it when it is not in a closet.", limit=200),
        text("serial", limit=80),
        text("mac", limit=17),
        text("firmware", limit=60),
        text("configuration_backup", limit=200),
        day("warranty_end"),
        text("note"),
        model_column(),
        word(
            "power_source",
            EndpointFacts.PowerSource.values,
            "Blank: port where a port is given, else unknown.",
            dated=True,
        ),
        text("switch", limit=80, field=None, dated=True, default=None),
        whole("port", 0, 9999, field=None, dated=True),
        whole("negotiated_class", 0, 8, dated=True),
        number("negotiated_power_w", "Power the switch granted (LLDP).", minimum=0, dated=True),
        quantity(
            "cable_length_m",
            "From the switch.",
            minimum=0,
            maximum=100_000,
            dated=True,
            units={"cable_length_ft": FOOT["ft"]},
        ),
        basis("cable_length_basis", "the length", Basis.DRAWING, dated=True),
        text("cable", "Name in cable_types.csv.", limit=80, field=None, dated=True, default=None),
        Column("address", Address(), dated=True),
        whole("vlan", 1, 4094, dated=True),
        Column("multicast_group", Address(), dated=True),
        text("page_code", limit=20, dated=True),
    ),
)

OUTPUTS = FileKind(
    name="outputs",
    about="Analog audio outputs of endpoints. A row may stand for a range.",
    model=Output,
    key=("endpoint", "output"),
    placed=True,
    references=(Reference("endpoint", "endpoints", ("endpoint",), required=True),),
    expand=one_each("output"),
    columns=(
        text("endpoint", limit=80, field=None, required=True, default=None),
        Column("output", Rows(1, 999), "Number, or a range such as 1-4.", field="number", required=True),
        word("terminal", Output.Terminal.values, default="unknown"),
    ),
)

SUPPLIES = FileKind(
    name="supplies",
    about="DC sources for self-amplified speakers.",
    model=Supply,
    facts=SupplyFacts,
    facts_of="supply",
    key=("name",),
    placed=True,
    references=(IN_CLOSET, MODEL),
    columns=(
        text("name", limit=80, required=True),
        CLOSET,
        text("outlet", limit=120),
        text("breaker", limit=120),
        text("ups", limit=120),
        day("battery_installed_on"),
        text("note"),
        model_column("Name in device_models.csv; blank: unknown, and nothing it feeds can be judged."),
    ),
)

AMPLIFIERS = FileKind(
    name="amplifiers",
    about="Amplifiers of constant-voltage and low-impedance lines.",
    model=Amplifier,
    facts=AmplifierFacts,
    facts_of="amplifier",
    key=("name",),
    placed=True,
    references=(IN_CLOSET, MODEL),
    columns=(
        text("name", limit=80, required=True),
        CLOSET,
        text("outlet", limit=120),
        text("breaker", limit=120),
        text("note"),
        model_column(),
        number("line_voltage_v", "25, 70.7 or 100; blank: low impedance.", above=0, dated=True),
    ),
)

BLOCKS = FileKind(
    name="blocks",
    about="Termination blocks, where equipment and field cable meet.",
    model=Block,
    key=("name",),
    placed=True,
    references=(IN_CLOSET,),
    columns=(
        text("name", limit=80, required=True),
        CLOSET,
        word("kind", Block.Kind.values, required=True),
        whole("row_count", 1, 400, default=50),
        text("note"),
    ),
)
