"""The catalogue that the histories choose from: invented ratings, some of them blank."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from sites.services.catalogue import cable_type_add, device_model_add
from tests.factories import change

_MODELS: dict[str, list[dict[str, Any]]] = {
    "ceiling_speaker": [
        {"idle_current_a": 0.015, "full_output_current_a": 0.05, "minimum_voltage_v": 18.0,
         "input_impedance_ohm": 47_000.0, "nominal_impedance_ohm": 8.0},
        {"idle_current_a": 0.012, "speech_current_a": 0.033, "minimum_voltage_v": 20.0,
         "maximum_voltage_v": 28.0,
         "input_impedance_ohm": 10_000.0, "input_sensitivity_v": 0.35, "nominal_impedance_ohm": 16.0},
        {"idle_power_w": 0.3, "full_output_power_w": 1.3, "minimum_voltage_v": 17.0,
         "input_impedance_ohm": 22_000.0},
        {"idle_power_w": 0.9, "full_output_power_w": 1.4, "minimum_voltage_v": 17.0,
         "input_impedance_ohm": 22_000.0},
        {"full_output_power_w": 2.1, "minimum_voltage_v": 16.0, "input_impedance_ohm": 10_000.0},
        {"full_output_current_a": 0.06, "minimum_voltage_v": 18.0, "input_impedance_ohm": 10_000.0},
        {},
    ],
    "wall_speaker": [
        {"idle_current_a": 0.02, "full_output_current_a": 0.08, "minimum_voltage_v": 18.0,
         "input_impedance_ohm": 10_000.0, "nominal_impedance_ohm": 8.0},
        {"idle_current_a": 0.05, "full_output_current_a": 0.08, "input_impedance_ohm": 47_000.0},
        {"speech_current_a": 0.041, "minimum_voltage_v": 19.0},
    ],
    "horn": [
        {"idle_current_a": 0.02, "full_output_current_a": 0.25, "minimum_voltage_v": 18.0,
         "maximum_voltage_v": 26.0,
         "input_impedance_ohm": 10_000.0, "nominal_impedance_ohm": 8.0},
        {"idle_current_a": 0.03, "full_output_current_a": 0.7, "minimum_voltage_v": 18.0,
         "input_impedance_ohm": 47_000.0},
        {"idle_power_w": 0.5, "full_output_power_w": 9.0, "minimum_voltage_v": 15.0,
         "input_impedance_ohm": 22_000.0, "input_sensitivity_v": 0.2},
        {},
    ],
    "supply": [
        {"rated_current_a": 1.0, "no_load_voltage_v": 25.1, "rated_load_voltage_v": 24.0,
         "class_2_marked": True},
        {"rated_current_a": 2.0, "no_load_voltage_v": 24.6, "rated_load_voltage_v": 24.0,
         "voltage_tolerance": 0.03, "class_2_marked": True},
        {"rated_current_a": 4.0, "rated_load_voltage_v": 24.0},
        {"rated_current_a": 5.0, "no_load_voltage_v": 27.0, "rated_load_voltage_v": 24.5,
         "class_2_marked": False, "voltage_tolerance": 0.05},
        {"rated_current_a": 2.0, "no_load_voltage_v": 27.2, "lowest_voltage_v": 21.0, "float_voltage_v": 27.6,
         "class_2_marked": False},
        {"rated_current_a": 5.0, "rated_load_voltage_v": 24.5},
        {"no_load_voltage_v": 24.0},
        {"rated_current_a": 2.0},
        {"rated_current_a": 0.5, "no_load_voltage_v": 30.0, "rated_load_voltage_v": 18.0,
         "class_2_marked": True},
    ],
    "amplifier": [
        {"rated_power_w": 60.0, "output_class": "class_2"},
        {"rated_power_w": 120.0, "minimum_impedance_ohm": 41.0, "output_class": "class_3"},
        {"rated_power_w": 250.0, "output_class": "class_1"},
        {"rated_power_w": 100.0, "minimum_impedance_ohm": 4.0, "output_class": "unmarked"},
        {"minimum_impedance_ohm": 8.0},
        {},
    ],
    "gateway": [
        {"output_count": 1, "output_impedance_ohm": 100.0, "output_level_v": 0.775, "poe_class": 2,
         "paging_poe_w": 5.0},
        {"output_count": 2, "output_impedance_ohm": 600.0, "poe_class": 3, "paging_poe_w": 12.4},
        {"output_count": 4, "output_impedance_ohm": 600.0, "output_level_v": 1.2, "output_speakers_max": 14,
         "poe_class": 3},
        {"output_count": 2},
    ],
    "network_speaker": [
        {"poe_class": 3, "idle_poe_w": 3.0, "paging_poe_w": 9.0},
        {"poe_class": 4, "paging_poe_w": 25.4},
        {"paging_poe_w": 13.2},
        {},
    ],
    "network_amplifier": [{"poe_class": 6, "paging_poe_w": 50.0}, {"poe_class": 8, "paging_poe_w": 71.0}],
    "switch": [
        {"port_count": 8, "port_type": 1, "power_supplies_max": 1, "poe_budget_w": 65.0},
        {"port_count": 8, "port_type": 2, "power_supplies_max": 2, "poe_budget_w": 130.0,
         "poe_budget_one_lost_w": 65.0},
        {"port_count": 12, "power_supplies_max": 2, "poe_budget_w": 370.0, "poe_budget_one_lost_w": 100.0},
        {"port_count": 8, "port_type": 3, "power_supplies_max": 3, "poe_budget_w": 130.0,
         "poe_budget_one_lost_w": 50.0},
        {"port_count": 6},
    ],
}  # fmt: skip
_CABLES: list[dict[str, Any]] = [
    {"gauge_awg": 24},
    {"gauge_awg": 23},
    {"gauge_awg": 24, "conductor_rating_a": 0.6, "stranded": True},
    {"gauge_awg": 22, "category": False, "pair_count": 2, "conductor_rating_a": 3.0, "listing": "class_3"},
    {"gauge_awg": 18, "category": False, "pair_count": 1, "stranded": True, "listing": "class_2"},
    {
        "gauge_awg": 16,
        "category": False,
        "pair_count": 1,
        "conductor_rating_a": 10.0,
        "listing": "power",
        "stranded": False,
    },
    {"gauge_awg": 26},
    {},
    {"category": False, "conductor_rating_a": 0.5},
]


@dataclass
class Catalogue:
    """Ids of models by kind, and of cable types; those for lines apart."""

    models: dict[str, list[int]] = field(default_factory=dict)
    cables: list[int] = field(default_factory=list)
    line_cables: list[int] = field(default_factory=list)


def make_catalogue() -> Catalogue:
    catalogue = Catalogue()
    for kind, models in _MODELS.items():
        catalogue.models[kind] = [
            device_model_add(change(), name=f"{kind} {number}", kind=kind, **ratings).result.pk
            for number, ratings in enumerate(models, start=1)
        ]
    catalogue.cables = [
        cable_type_add(change(), name=f"cable {number}", **said).result.pk
        for number, said in enumerate(_CABLES, start=1)
    ]
    catalogue.line_cables = [
        pk for pk, said in zip(catalogue.cables, _CABLES, strict=True) if said.get("gauge_awg", 99) <= 18
    ]
    return catalogue
