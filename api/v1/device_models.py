"""Device models: the catalogue entry behind every device, with its ratings. It belongs to no customer."""

from __future__ import annotations

from typing import ClassVar

from api.conventions import fields
from api.conventions.cursors import Order
from api.conventions.listing import Filters, Lookup
from api.conventions.representations import Representation
from api.conventions.views import Listed, Shown, Written
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.access.gates import device_model_for
from sites.models import DeviceModel
from sites.services.catalogue import device_model_add, device_model_alter


class DeviceModelShown(Representation):
    class Meta:
        model = DeviceModel
        fields = (
            "id",
            "name",
            "kind",
            "idle_current_a",
            "speech_current_a",
            "full_output_current_a",
            "idle_power_w",
            "full_output_power_w",
            "minimum_voltage_v",
            "input_impedance_ohm",
            "input_sensitivity_v",
            "taps_w",
            "nominal_impedance_ohm",
            "output_count",
            "output_impedance_ohm",
            "output_level_v",
            "output_speakers_max",
            "poe_class",
            "idle_poe_w",
            "paging_poe_w",
            "rated_current_a",
            "no_load_voltage_v",
            "rated_load_voltage_v",
            "voltage_tolerance",
            "lowest_voltage_v",
            "class_2_marked",
            "rated_power_w",
            "line_voltages_v",
            "minimum_impedance_ohm",
            "port_count",
            "poe_budget_w",
            "poe_budget_one_lost_w",
            "note",
        )


class DeviceModelFilters(Filters):
    kind = fields.Choice(choices=DeviceModel.Kind.choices, required=False)
    name = fields.Text(required=False)

    lookups: ClassVar[dict[str, Lookup]] = {"kind": "kind", "name": "name"}


class DeviceModels(Listed, Shown, Written):
    """Device models with their ratings. A rating that is null is unknown; it never counts as zero."""

    gate = device_model_for
    representation = DeviceModelShown
    filters = DeviceModelFilters
    orders = {"name": Order("name"), "kind": Order("kind"), "id": Order("id")}
    usual_order = "name"
    abilities = {
        "list": Ability.READ_INVENTORY,
        "retrieve": Ability.READ_INVENTORY,
        "create": Ability.ADMIN,
        "partial_update": Ability.ADMIN,
    }
    bodies = {
        "create": Writing(device_model_add),
        "partial_update": Writing(device_model_alter, subject="device_model", partial=True),
    }
