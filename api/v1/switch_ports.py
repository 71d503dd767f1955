"""Ports of switches: their priority, and what else than our devices hangs on them."""

from __future__ import annotations

from typing import ClassVar

from api.conventions import fields
from api.conventions.cursors import Order
from api.conventions.listing import Lookup
from api.conventions.representations import Expansion
from api.conventions.views import Altered
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.access.gates import switch_port_for
from sites.models import SwitchPort, SwitchPortFacts
from sites.services.switches import port_alter, port_correct

from .acting import done_to_it
from .dated import Dated, DatedShown, FactFilters, UnchangedSince
from .placed import StepDay
from .sites import SiteShown
from .switches import SwitchShown


class SwitchPortShown(DatedShown):
    unchanged_since = UnchangedSince()
    began_on = StepDay(source="begin_step")
    ended_on = StepDay(source="end_step", allow_null=True)

    facts = SwitchPortFacts
    expansions: ClassVar = {
        "site": Expansion(SiteShown, related=("site",)),
        "switch": Expansion(SwitchShown, related=("switch",)),
    }

    class Meta:
        model = SwitchPort
        fields = (
            "id",
            "site_id",
            "switch_id",
            "number",
            "priority",
            "other_load",
            "other_load_class",
            "other_load_power_w",
            "unchanged_since",
            "began_on",
            "ended_on",
        )


class SwitchPortFilters(FactFilters):
    switch_id = fields.Id(required=False)
    closet_id = fields.Id(required=False, help_text="Ports of the switches in this closet.")
    number = fields.Whole(required=False, min_value=0, max_value=32767)
    priority = fields.Choice(choices=SwitchPortFacts.Priority.choices, required=False)

    facts = SwitchPortFacts
    fact_lookups: ClassVar = {"priority": "priority"}
    lookups: ClassVar[dict[str, Lookup]] = {
        **FactFilters.lookups,
        "switch_id": "switch_id",
        "closet_id": "switch__closet_id",
        "number": "number",
    }


class SwitchPorts(Dated, Altered):
    """Ports of switches. They come and go with their switch and its model; which of our devices hangs on one
    is said by the device (`endpoints?port_id=`)."""

    gate = switch_port_for
    representation = SwitchPortShown
    facts = SwitchPortFacts
    filters = SwitchPortFilters
    orders = {"number": Order("number"), "switch": Order("switch__name"), "id": Order("id")}
    usual_order = "number"
    abilities = {
        "list": Ability.READ_INVENTORY,
        "retrieve": Ability.READ_INVENTORY,
        "partial_update": Ability.WRITE_INVENTORY,
        "correct": Ability.WRITE_INVENTORY,
    }
    bodies = {
        "partial_update": Writing(port_alter, subject="port", partial=True),
        "correct": Writing(port_correct, subject="port", partial=True),
    }
    versioned = ("correct",)
    correct = done_to_it("correct", "What is recorded of a port was wrong.")
