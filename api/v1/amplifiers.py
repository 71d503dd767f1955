"""Amplifiers: what drives constant-voltage and low-impedance lines."""

from __future__ import annotations

from typing import ClassVar

from api.conventions import fields
from api.conventions.cursors import Order
from api.conventions.listing import Lookup
from api.conventions.representations import Expansion
from api.conventions.views import Ended
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.access.gates import amplifier_for
from sites.models import Amplifier, AmplifierFacts
from sites.services.power import amplifier_add, amplifier_alter, amplifier_correct, amplifier_end

from .acting import done_to_it
from .closets import ClosetShown
from .dated import Dated, DatedShown, FactFilters, UnchangedSince
from .device_models import DeviceModelShown
from .placed import StepDay
from .sites import SiteShown


class AmplifierShown(DatedShown):
    unchanged_since = UnchangedSince()
    began_on = StepDay(source="begin_step")
    ended_on = StepDay(source="end_step", allow_null=True)

    facts = AmplifierFacts
    expansions: ClassVar = {
        "site": Expansion(SiteShown, related=("site",)),
        "closet": Expansion(ClosetShown, related=("closet",)),
        "model": Expansion(DeviceModelShown, prefetched=("held__model",), source="now.model", nullable=True),
    }

    class Meta:
        model = Amplifier
        fields = (
            "id",
            "site_id",
            "closet_id",
            "name",
            "model_id",
            "line_voltage_v",
            "outlet",
            "breaker",
            "note",
            "unchanged_since",
            "began_on",
            "ended_on",
        )


class AmplifierFilters(FactFilters):
    closet_id = fields.Id(required=False)
    name = fields.Text(required=False, help_text="Without regard to capital letters.")
    model_id = fields.Id(required=False)
    line_voltage_from_v = fields.Number(
        required=False, help_text="Those that drive a line of this voltage or more [V]; 70 finds what shocks."
    )

    facts = AmplifierFacts
    fact_lookups: ClassVar = {"model_id": "model_id", "line_voltage_from_v": "line_voltage_v__gte"}
    lookups: ClassVar[dict[str, Lookup]] = {
        **FactFilters.lookups,
        "closet_id": "closet_id",
        "name": "name__iexact",
    }


class Amplifiers(Dated, Ended):
    """Amplifiers: of constant-voltage lines (25, 70.7 or 100 V) and of low-impedance ones, which have no
    line voltage."""

    gate = amplifier_for
    representation = AmplifierShown
    facts = AmplifierFacts
    filters = AmplifierFilters
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
        "create": Writing(amplifier_add, within=("closet",)),
        "partial_update": Writing(amplifier_alter, subject="amplifier", partial=True),
        "destroy": Writing(amplifier_end, subject="amplifier"),
        "correct": Writing(amplifier_correct, subject="amplifier", partial=True),
    }
    versioned = ("correct",)
    correct = done_to_it("correct", "What is recorded of an amplifier was wrong.")
