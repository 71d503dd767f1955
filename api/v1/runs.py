"""Runs: one field cable from a block to a chain of devices, and what feeds it."""

from __future__ import annotations

from typing import ClassVar

from api.conventions import fields
from api.conventions.cursors import Order
from api.conventions.listing import Lookup
from api.conventions.representations import Expansion
from api.conventions.views import Ended
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from zones.gates import run_for
from zones.models import Run, RunFacts
from zones.services.runs import run_add, run_alter, run_correct, run_end

from .acting import done_to_it
from .dated import Dated, DatedShown, FactFilters, UnchangedSince
from .placed import StepDay
from .sites import SiteShown
from .zones import ZoneShown


class RunShown(DatedShown):
    unchanged_since = UnchangedSince()
    began_on = StepDay(source="begin_step")
    ended_on = StepDay(source="end_step", allow_null=True)

    facts = RunFacts
    expansions: ClassVar = {
        "site": Expansion(SiteShown, related=("site",)),
        "zone": Expansion(ZoneShown, prefetched=("held__zone",), source="now.zone", nullable=True),
    }

    class Meta:
        model = Run
        fields = (
            "id",
            "site_id",
            "block_id",
            "name",
            "kind",
            "zone_id",
            "output_id",
            "supply_id",
            "amplifier_id",
            "fuse_fitted",
            "fuse_rating_a",
            "note",
            "unchanged_since",
            "began_on",
            "ended_on",
        )


class RunFilters(FactFilters):
    block_id = fields.Id(required=False)
    closet_id = fields.Id(required=False, help_text="Runs that leave a block in this closet.")
    name = fields.Text(required=False, help_text="Without regard to capital letters.")
    kind = fields.Choice(choices=Run.Kind.choices, required=False)
    zone_id = fields.Id(required=False)
    output_id = fields.Id(required=False)
    supply_id = fields.Id(required=False, help_text="Runs that this supply feeds at their block.")
    amplifier_id = fields.Id(required=False)

    facts = RunFacts
    fact_lookups: ClassVar = {name: name for name in ("zone_id", "output_id", "supply_id", "amplifier_id")}
    lookups: ClassVar[dict[str, Lookup]] = {
        **FactFilters.lookups,
        "block_id": "block_id",
        "closet_id": "block__closet_id",
        "name": "name__iexact",
        "kind": "kind",
    }


class Runs(Dated, Ended):
    """Runs: one field cable from a block to a chain of devices, with the zone that hears it and what feeds
    it."""

    gate = run_for
    representation = RunShown
    facts = RunFacts
    filters = RunFilters
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
        "create": Writing(run_add, within=("block",)),
        "partial_update": Writing(run_alter, subject="run", partial=True),
        "destroy": Writing(run_end, subject="run"),
        "correct": Writing(run_correct, subject="run", partial=True),
    }
    versioned = ("correct",)
    correct = done_to_it("correct", "What is recorded of a run was wrong. This adds nothing on site.")
