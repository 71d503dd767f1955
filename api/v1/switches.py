"""Switches: what feeds the networked devices with data and power."""

from __future__ import annotations

from typing import ClassVar

from api.conventions import fields
from api.conventions.cursors import Order
from api.conventions.listing import Lookup
from api.conventions.representations import Expansion
from api.conventions.views import Ended
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.access.gates import switch_for
from sites.models import Switch, SwitchFacts
from sites.services.switches import switch_add, switch_alter, switch_correct, switch_end

from .acting import done_to_it
from .closets import ClosetShown
from .dated import Dated, DatedShown, FactFilters, UnchangedSince
from .device_models import DeviceModelShown
from .placed import StepDay
from .sites import SiteShown


class SwitchShown(DatedShown):
    unchanged_since = UnchangedSince()
    began_on = StepDay(source="begin_step")
    ended_on = StepDay(source="end_step", allow_null=True)

    facts = SwitchFacts
    expansions: ClassVar = {
        "site": Expansion(SiteShown, related=("site",)),
        "closet": Expansion(ClosetShown, related=("closet",)),
        "model": Expansion(DeviceModelShown, prefetched=("held__model",), source="now.model", nullable=True),
    }

    class Meta:
        model = Switch
        fields = (
            "id",
            "site_id",
            "closet_id",
            "name",
            "owner",
            "serial",
            "model_id",
            "power_supply_count",
            "usage_threshold",
            "note",
            "unchanged_since",
            "began_on",
            "ended_on",
        )


class SwitchFilters(FactFilters):
    closet_id = fields.Id(required=False)
    name = fields.Text(required=False, help_text="Without regard to capital letters.")
    owner = fields.Choice(choices=Switch.Owner.choices, required=False)
    serial = fields.Text(required=False)
    model_id = fields.Id(required=False)

    facts = SwitchFacts
    fact_lookups: ClassVar = {"model_id": "model_id"}
    lookups: ClassVar[dict[str, Lookup]] = {
        **FactFilters.lookups,
        "closet_id": "closet_id",
        "name": "name__iexact",
        "owner": "owner",
        "serial": "serial",
    }


class Switches(Dated, Ended):
    """Switches. One of the customer's, or of an unknown owner, is not to be touched. Its ports are made, and
    end, with it and its model."""

    gate = switch_for
    representation = SwitchShown
    facts = SwitchFacts
    filters = SwitchFilters
    orders = {"name": Order("name"), "site": Order("site__name"), "id": Order("id")}
    usual_order = "name"
    abilities = {
        "list": Ability.READ_INVENTORY,
        "retrieve": Ability.READ_INVENTORY,
        "create": Ability.WRITE_INVENTORY,
        "partial_update": Ability.WRITE_INVENTORY,
        "destroy": Ability.WRITE_INVENTORY,
        "correct": Ability.WRITE_INVENTORY,
    }
    bodies = {
        "create": Writing(switch_add, within=("closet",)),
        "partial_update": Writing(switch_alter, subject="switch", partial=True),
        "destroy": Writing(switch_end, subject="switch"),
        "correct": Writing(switch_correct, subject="switch", partial=True),
    }
    versioned = ("correct",)
    correct = done_to_it("correct", "What is recorded of a switch was wrong.")
