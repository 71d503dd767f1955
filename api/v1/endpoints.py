"""Endpoints: networked audio devices."""

from __future__ import annotations

from typing import ClassVar

from api.conventions import fields
from api.conventions.cursors import Order
from api.conventions.listing import Lookup
from api.conventions.representations import Expansion
from api.conventions.views import Ended
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.access.gates import endpoint_for
from sites.models import Basis, DeviceModel, Endpoint, EndpointFacts
from sites.services.endpoints import (
    endpoint_add,
    endpoint_alter,
    endpoint_correct,
    endpoint_end,
    endpoint_move,
)

from .acting import done_to_it
from .cable_types import CableTypeShown
from .closets import ClosetShown
from .dated import Dated, DatedShown, FactFilters, UnchangedSince
from .device_models import DeviceModelShown
from .placed import StepDay
from .sites import SiteShown
from .switch_ports import SwitchPortShown


class EndpointShown(DatedShown):
    cable_length_basis = fields.Word(Basis, source="now.cable_length_basis", read_only=True, allow_null=True)
    unchanged_since = UnchangedSince()
    began_on = StepDay(source="begin_step")
    ended_on = StepDay(source="end_step", allow_null=True)

    facts = EndpointFacts
    expansions: ClassVar = {
        "site": Expansion(SiteShown, related=("site",)),
        "closet": Expansion(ClosetShown, related=("closet",), nullable=True),
        "model": Expansion(DeviceModelShown, prefetched=("held__model",), source="now.model", nullable=True),
        "port": Expansion(SwitchPortShown, prefetched=("held__port",), source="now.port", nullable=True),
        "cable_type": Expansion(
            CableTypeShown, prefetched=("held__cable_type",), source="now.cable_type", nullable=True
        ),
    }

    class Meta:
        model = Endpoint
        fields = (
            "id",
            "site_id",
            "closet_id",
            "name",
            "place",
            "serial",
            "mac",
            "firmware",
            "configuration_backup",
            "warranty_end",
            "note",
            "model_id",
            "power_source",
            "port_id",
            "negotiated_class",
            "negotiated_power_w",
            "cable_length_m",
            "cable_length_basis",
            "cable_type_id",
            "address",
            "vlan",
            "multicast_group",
            "page_code",
            "unchanged_since",
            "began_on",
            "ended_on",
        )


class EndpointFilters(FactFilters):
    closet_id = fields.Id(required=False)
    name = fields.Text(required=False, help_text="Without regard to capital letters.")
    serial = fields.Text(required=False)
    mac = fields.Text(required=False, help_text="Without regard to capital letters.")
    warranty_before = fields.Day(required=False, help_text="Those whose warranty ends before this day.")
    model_id = fields.Id(required=False)
    kind = fields.Choice(
        choices=[
            str(kind)
            for kind in (
                DeviceModel.Kind.GATEWAY,
                DeviceModel.Kind.NETWORK_SPEAKER,
                DeviceModel.Kind.NETWORK_AMPLIFIER,
            )
        ],
        required=False,
    )
    port_id = fields.Id(required=False)
    switch_id = fields.Id(required=False, help_text="Devices on some port of this switch.")
    power_source = fields.Choice(choices=EndpointFacts.PowerSource.choices, required=False)
    address = fields.Address(required=False, help_text="Its address on the network, exactly.")

    facts = EndpointFacts
    fact_lookups: ClassVar = {
        "model_id": "model_id",
        "kind": "model__kind",
        "port_id": "port_id",
        "switch_id": "port__switch_id",
        "power_source": "power_source",
        "address": "address",
    }
    lookups: ClassVar[dict[str, Lookup]] = {
        **FactFilters.lookups,
        "closet_id": "closet_id",
        "name": "name__iexact",
        "serial": "serial",
        "mac": "mac__iexact",
        "warranty_before": "warranty_end__lt",
    }


class Endpoints(Dated, Ended):
    """Networked audio devices: gateways, network speakers and network amplifiers. Moving one to another port
    is an address of its own, since what the old port granted says nothing of the new one."""

    gate = endpoint_for
    representation = EndpointShown
    facts = EndpointFacts
    filters = EndpointFilters
    orders = {
        "name": Order("name"),
        "site": Order("site__name"),
        "warranty_end": Order("warranty_end", nullable=True),
        "id": Order("id"),
    }
    usual_order = "name"
    abilities = {
        "list": Ability.READ_INVENTORY,
        "retrieve": Ability.READ_INVENTORY,
        "create": Ability.WRITE_INVENTORY,
        "partial_update": Ability.WRITE_INVENTORY,
        "destroy": Ability.WRITE_INVENTORY,
        "move": Ability.WRITE_INVENTORY,
        "correct": Ability.WRITE_INVENTORY,
    }
    bodies = {
        "create": Writing(endpoint_add, of_site=True),
        "partial_update": Writing(endpoint_alter, subject="endpoint", partial=True),
        "destroy": Writing(endpoint_end, subject="endpoint"),
        "move": Writing(endpoint_move, subject="endpoint"),
        "correct": Writing(endpoint_correct, subject="endpoint", partial=True),
    }
    versioned = ("move", "correct")
    move = done_to_it("move", "Patch a networked device to another port, or off every port (null).")
    correct = done_to_it("correct", "What is recorded of a networked device was wrong.")
