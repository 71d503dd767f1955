"""DC supplies: the separate sources that feed self-amplified speakers."""

from __future__ import annotations

from typing import ClassVar

from api.conventions import fields
from api.conventions.cursors import Order
from api.conventions.listing import Lookup
from api.conventions.representations import Expansion
from api.conventions.views import Ended
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.access.gates import supply_for
from sites.models import Supply, SupplyFacts
from sites.services.power import supply_add, supply_alter, supply_correct, supply_end

from .acting import done_to_it
from .closets import ClosetShown
from .dated import Dated, DatedShown, FactFilters, UnchangedSince
from .device_models import DeviceModelShown
from .placed import StepDay
from .sites import SiteShown


class SupplyShown(DatedShown):
    unchanged_since = UnchangedSince()
    began_on = StepDay(source="begin_step")
    ended_on = StepDay(source="end_step", allow_null=True)

    facts = SupplyFacts
    expansions: ClassVar = {
        "site": Expansion(SiteShown, related=("site",)),
        "closet": Expansion(ClosetShown, related=("closet",)),
        "model": Expansion(DeviceModelShown, prefetched=("held__model",), source="now.model", nullable=True),
    }

    class Meta:
        model = Supply
        fields = (
            "id",
            "site_id",
            "closet_id",
            "name",
            "model_id",
            "outlet",
            "breaker",
            "ups",
            "battery_installed_on",
            "note",
            "unchanged_since",
            "began_on",
            "ended_on",
        )


class SupplyFilters(FactFilters):
    closet_id = fields.Id(required=False)
    name = fields.Text(required=False, help_text="Without regard to capital letters.")
    model_id = fields.Id(required=False)
    battery_before = fields.Day(
        required=False, help_text="Those whose battery was installed before this day."
    )

    facts = SupplyFacts
    fact_lookups: ClassVar = {"model_id": "model_id"}
    lookups: ClassVar[dict[str, Lookup]] = {
        **FactFilters.lookups,
        "closet_id": "closet_id",
        "name": "name__iexact",
        "battery_before": "battery_installed_on__lt",
    }


class Supplies(Dated, Ended):
    """DC supplies, with the outlet, breaker, UPS and battery behind them."""

    gate = supply_for
    representation = SupplyShown
    facts = SupplyFacts
    filters = SupplyFilters
    orders = {
        "name": Order("name"),
        "site": Order("site__name"),
        "battery": Order("battery_installed_on", nullable=True),
        "id": Order("id"),
    }
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
        "create": Writing(supply_add, within=("closet",)),
        "partial_update": Writing(supply_alter, subject="supply", partial=True),
        "destroy": Writing(supply_end, subject="supply"),
        "correct": Writing(supply_correct, subject="supply", partial=True),
    }
    versioned = ("correct",)
    correct = done_to_it("correct", "The model recorded for a DC supply was wrong.")
