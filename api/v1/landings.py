"""Landings: which conductor lies on which row and side of which block."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, ClassVar

from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.cursors import Order
from api.conventions.listing import Lookup
from api.conventions.representations import Expansion, Representation
from api.conventions.serializers import Body
from api.conventions.views import Removed
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from zones.gates import landing_for
from zones.models import Landing
from zones.pair_colours import conductor_colour
from zones.selectors import pulled_clips_before
from zones.services.landings import landing_add, landing_correct, landing_end

from .acting import done_to_it
from .blocks import BlockShown
from .dated import Stood, StoodFilters, before_asked
from .placed import StepDay
from .sites import SiteShown


class LandingShown(Representation):
    colour = fields.Text(read_only=True, help_text="The conductor's own colour, then its band's.")
    clip_in = fields.Flag(
        read_only=True,
        allow_null=True,
        help_text="Whether the row's halves are joined; null: nothing on this block can be pulled.",
    )
    began_on = StepDay(source="begin_step")
    ended_on = StepDay(source="end_step", allow_null=True)

    expansions: ClassVar = {
        "site": Expansion(SiteShown, related=("site",)),
        "block": Expansion(BlockShown, related=("block",)),
    }

    class Meta:
        model = Landing
        fields = (
            "id",
            "site_id",
            "block_id",
            "row",
            "side",
            "clip_in",
            "pair",
            "conductor",
            "colour",
            "carries",
            "run_id",
            "output_id",
            "supply_id",
            "amplifier_id",
            "began_on",
            "ended_on",
        )


class LandedShown(Body):
    """The conductors that one request landed or took off."""

    items = LandingShown(many=True)


class LandingFilters(StoodFilters):
    block_id = fields.Id(required=False)
    closet_id = fields.Id(required=False, help_text="What lies on the blocks of this closet.")
    row = fields.Whole(required=False, min_value=1, max_value=32767)
    side = fields.Choice(choices=Landing.Side.choices, required=False)
    carries = fields.Choice(choices=Landing.Carries.choices, required=False)
    run_id = fields.Id(required=False)
    output_id = fields.Id(required=False)
    supply_id = fields.Id(required=False)
    amplifier_id = fields.Id(required=False)

    lookups: ClassVar[dict[str, Lookup]] = {
        **StoodFilters.lookups,
        "block_id": "block_id",
        "closet_id": "block__closet_id",
        "row": "row",
        "side": "side",
        "carries": "carries",
        "run_id": "run_id",
        "output_id": "output_id",
        "supply_id": "supply_id",
        "amplifier_id": "amplifier_id",
    }


class Landings(Stood, Removed):
    """Conductors on blocks, one a row. A pair is landed at once, its colours following from its number; two
    wires on one clip are recorded and flagged, since the fault exists."""

    gate = landing_for
    representation = LandingShown
    filters = LandingFilters
    orders = {"row": Order("row"), "block": Order("block__name"), "id": Order("id")}
    usual_order = "row"
    abilities = {
        "list": Ability.READ_INVENTORY,
        "retrieve": Ability.READ_INVENTORY,
        "create": Ability.WRITE_INVENTORY,
        "destroy": Ability.WRITE_INVENTORY,
        "take_off": Ability.WRITE_INVENTORY,
        "correct": Ability.WRITE_INVENTORY,
    }
    bodies = {
        "create": Writing(landing_add, within=("block",)),
        "destroy": Writing(landing_end, subject="landings"),
        "take_off": Writing(landing_end, within=("landings",)),
        "correct": Writing(landing_correct, subject="landing", partial=True),
    }
    answers = {"create": {201: LandedShown}, "take_off": {200: LandedShown}}
    making = ()
    versioned = ("correct",)
    correct = done_to_it("correct", "How a conductor lies on a block was recorded wrongly.")

    def create(self, request: Request) -> Response:  # noqa: ARG002
        """Land a pair on two rows of a block: of a run's field cable, or of equipment."""
        return self._landed(self.made().result, status=201)

    @action(detail=False, methods=["post"], url_path="take-off")
    def take_off(self, request: Request) -> Response:  # noqa: ARG002
        """Take several conductors off at once: both of a pair, or all of a run."""
        return self._landed(self.made().result, status=200)

    def furnish(self, rows: Sequence[Any]) -> None:
        before = before_asked(getattr(self, "asked", {}))
        pulled = pulled_clips_before(before, block_ids={row.block_id for row in rows})
        for row in rows:
            row.clip_in = (row.block_id, row.row) not in pulled if row.block.can_isolate else None
            row.colour = conductor_colour(row.pair, first=row.conductor == Landing.Conductor.FIRST)

    def rows(self) -> Any:
        return super().rows().select_related("block")

    def _landed(self, landings: Sequence[Landing], *, status: int) -> Response:
        rows = [self.gate(principal=self.principal, id=landing.pk) for landing in landings]
        self.furnish(rows)
        return Response({"items": self.representation(rows, many=True).data}, status=status)
