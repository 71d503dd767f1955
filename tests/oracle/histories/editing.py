"""Edits of what all sites share: each is a correction of every site that uses it, in its past and its
present."""

from __future__ import annotations

import random
from typing import Any

from sites.models import CableType, DeviceModel
from sites.services.catalogue import cable_type_alter, device_model_alter, factor_set, factor_unset
from tests.factories import change

from .catalogue import Catalogue

_FACTORS = {
    "length_drawing_high": 1.7,
    "length_measured_low": 0.9,
    "current_guessed_low": 0.4,
    "current_marked_high": 1.3,
    "unknown_segment_likely_m": 11.0,
    "unknown_home_run_high_m": 120.0,
    "unknown_speaker_likely_a": 0.06,
    "unknown_horn_high_a": 0.7,
    "unknown_speaker_tap_likely_w": 2.0,
    "unknown_idle_of_speech": 0.3,
    "speech_of_full_output": 0.65,
    "loading_fraction": 0.6,
    "conductor_rating_a": 0.45,
    "speakers_per_output": 9.0,
    "audio_loss_db": 3.5,
    "line_loss_db": 1.5,
    "poe_usage_threshold": 0.55,
    "nominal_supply_v": 26.0,
}
_RATINGS: dict[str, dict[str, Any]] = {
    "ceiling_speaker": {"minimum_voltage_v": 21.0, "idle_current_a": 0.04, "input_impedance_ohm": 9_000.0},
    "horn": {"full_output_current_a": 0.9, "minimum_voltage_v": None},
    "supply": {"rated_current_a": 1.2, "no_load_voltage_v": 23.0, "voltage_tolerance": 0.1},
    "amplifier": {"rated_power_w": 45.0, "minimum_impedance_ohm": 60.0},
    "gateway": {"output_impedance_ohm": 900.0, "output_speakers_max": 6, "poe_class": 4},
    "network_speaker": {"paging_poe_w": 14.0, "poe_class": None},
    "switch": {
        "poe_budget_w": 90.0,
        "poe_budget_one_lost_w": 40.0,
        "power_supplies_max": 2,
        "port_type": 1,
    },
}


def edit_shared(rng: random.Random, catalogue: Catalogue) -> None:
    """A factor set or given back, or a rating found to be another."""
    what = rng.choice(["factor", "factor", "unset", "rating", "rating", "cable"])
    if what == "factor":
        name = rng.choice(list(_FACTORS))
        factor_set(change(), name=name, value=_FACTORS[name])
    elif what == "unset":
        factor_set(change(), name="loading_fraction", value=0.7)
        factor_unset(change(), name="loading_fraction")
    elif what == "rating":
        kind = rng.choice(list(_RATINGS))
        name = rng.choice(list(_RATINGS[kind]))
        model = DeviceModel.objects.get(pk=rng.choice(catalogue.models[kind]))
        device_model_alter(change(), device_model=model, **{name: _RATINGS[kind][name]})
    else:
        cable = CableType.objects.get(pk=rng.choice(catalogue.cables))
        cable_type_alter(change(), cable_type=cable, gauge_awg=rng.choice([20, 24, 28, None]))
