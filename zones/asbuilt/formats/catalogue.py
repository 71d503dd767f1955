"""Files that every site shares: device models and cable types. Invented or not, they carry ratings with
units.
"""

from __future__ import annotations

from sites.models import CableType, DeviceModel

from .kinds import file_kind

DEVICE_MODELS = file_kind(
    "device_models",
    "The catalogue behind every device. A blank rating is unknown, never zero.",
    *("name", "kind", "idle_current_a", "speech_current_a", "full_output_current_a", "idle_power_w"),
    *("full_output_power_w", "minimum_voltage_v", "input_impedance_ohm", "input_sensitivity_v", "taps_w"),
    *("nominal_impedance_ohm", "output_count", "output_impedance_ohm", "output_level_v"),
    *("output_speakers_max", "poe_class", "idle_poe_w", "paging_poe_w", "rated_current_a"),
    *("no_load_voltage_v", "rated_load_voltage_v", "voltage_tolerance", "lowest_voltage_v"),
    *("class_2_marked", "rated_power_w", "line_voltages_v", "minimum_impedance_ohm", "port_count"),
    *("poe_budget_w", "poe_budget_one_lost_w", "note"),
    model=DeviceModel,
    key=("name",),
    sited=False,
    recorded=False,
)

CABLE_TYPES = file_kind(
    "cable_types",
    "Kinds of cable that runs and endpoints are wired with.",
    *("name", "gauge_awg", "pair_count", "category", "conductor_rating_a", "plenum"),
    model=CableType,
    key=("name",),
    sited=False,
    recorded=False,
)
