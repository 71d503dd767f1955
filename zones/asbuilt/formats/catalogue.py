"""Files that every site shares: device models and cable types. Invented or not, they carry ratings with
units.
"""

from __future__ import annotations

from sites.models import CableType, DeviceModel
from zones.asbuilt.cells import Listed, Number

from .kinds import Column, FileKind, number, text, whole, word, yes_no

DEVICE_MODELS = FileKind(
    name="device_models",
    about="The catalogue behind every device. A blank rating is unknown, never zero.",
    model=DeviceModel,
    key=("name",),
    sited=False,
    recorded=False,
    columns=(
        text("name", limit=120, required=True),
        word("kind", DeviceModel.Kind.values, required=True),
        number("idle_current_a", "At 24 V DC, silent.", minimum=0),
        number("speech_current_a", "At speech; blank: half of full output.", minimum=0),
        number("full_output_current_a", "At full output.", minimum=0),
        number("idle_power_w", "Only where the model states watts: it then draws constant power.", minimum=0),
        number("full_output_power_w", minimum=0),
        number("minimum_voltage_v", "Lowest DC voltage at which it works.", minimum=0),
        number("input_impedance_ohm", above=0),
        number("input_sensitivity_v", above=0),
        Column("taps_w", Listed(Number(minimum=0)), "Transformer taps.", default=[]),
        number("nominal_impedance_ohm", "Low-impedance speakers.", above=0),
        whole("output_count", 0, 64, "Analog outputs of a gateway."),
        number("output_impedance_ohm", above=0),
        number("output_level_v", "Unloaded, V RMS.", above=0),
        whole("output_speakers_max", 0, 1000, "Speakers an output may feed."),
        whole("poe_class", 0, 8),
        number("idle_poe_w", minimum=0),
        number("paging_poe_w", minimum=0),
        number("rated_current_a", "Of a DC supply.", above=0),
        number("no_load_voltage_v", above=0),
        number(
            "rated_load_voltage_v",
            "At rated current: with the no-load voltage it gives the source's resistance.",
            above=0,
        ),
        number(
            "voltage_tolerance",
            "Fraction the source may lie below its voltage.",
            minimum=0,
            maximum=0.999,
            default=0.0,
        ),
        number("lowest_voltage_v", "Battery-backed: its voltage when the battery ends.", above=0),
        yes_no("class_2_marked", "Whether it is marked as a Class 2 source."),
        number("rated_power_w", "Of an amplifier.", above=0),
        Column("line_voltages_v", Listed(Number(above=0)), "Lines an amplifier can drive.", default=[]),
        number("minimum_impedance_ohm", "Lowest load of an amplifier.", above=0),
        whole("port_count", 0, 1000, "Ports of a switch."),
        number("poe_budget_w", "With all its power supplies.", minimum=0),
        number("poe_budget_one_lost_w", "With its largest power supply lost.", minimum=0),
        text("note"),
    ),
)

CABLE_TYPES = FileKind(
    name="cable_types",
    about="Kinds of cable that runs and endpoints are wired with.",
    model=CableType,
    key=("name",),
    sited=False,
    recorded=False,
    columns=(
        text("name", limit=80, required=True),
        whole("gauge_awg", 10, 30),
        whole("pair_count", 1, 100, default=4),
        yes_no("category", "Category cable: its high resistance is nominal × 1.114.", default=True),
        number("conductor_rating_a", above=0),
        yes_no("plenum"),
    ),
)
