"""Outputs: the analog audio outputs of networked devices."""

from __future__ import annotations

from typing import ClassVar

from api.conventions import fields
from api.conventions.cursors import Order
from api.conventions.listing import Lookup
from api.conventions.representations import Expansion, Representation
from api.conventions.views import Ended
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.access.gates import output_for
from sites.models import Output
from sites.services.endpoints import output_add, output_alter, output_end

from .dated import Stood, StoodFilters
from .endpoints import EndpointShown
from .placed import StepDay
from .sites import SiteShown


class OutputShown(Representation):
    began_on = StepDay(source="begin_step")
    ended_on = StepDay(source="end_step", allow_null=True)

    expansions: ClassVar = {
        "site": Expansion(SiteShown, related=("site",)),
        "endpoint": Expansion(EndpointShown, related=("endpoint",)),
    }

    class Meta:
        model = Output
        fields = ("id", "site_id", "endpoint_id", "number", "terminal", "began_on", "ended_on")


class OutputFilters(StoodFilters):
    endpoint_id = fields.Id(required=False)
    closet_id = fields.Id(required=False, help_text="Outputs of the devices in this closet.")
    number = fields.Whole(required=False, min_value=1, max_value=32767)
    terminal = fields.Choice(choices=Output.Terminal.choices, required=False)

    lookups: ClassVar[dict[str, Lookup]] = {
        **StoodFilters.lookups,
        "endpoint_id": "endpoint_id",
        "closet_id": "endpoint__closet_id",
        "number": "number",
        "terminal": "terminal",
    }


class Outputs(Stood, Ended):
    """Analog audio outputs. A new device brings those of its model with it."""

    gate = output_for
    representation = OutputShown
    filters = OutputFilters
    orders = {"number": Order("number"), "endpoint": Order("endpoint__name"), "id": Order("id")}
    usual_order = "endpoint"
    abilities = {
        "list": Ability.READ_INVENTORY,
        "retrieve": Ability.READ_INVENTORY,
        "create": Ability.WRITE_INVENTORY,
        "partial_update": Ability.WRITE_INVENTORY,
        "destroy": Ability.WRITE_INVENTORY,
    }
    bodies = {
        "create": Writing(output_add, within=("endpoint",)),
        "partial_update": Writing(output_alter, subject="output", partial=True),
        "destroy": Writing(output_end, subject="output"),
    }
