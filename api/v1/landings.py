"""Landings: which conductor lies on which row and side of which block."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.db.models import QuerySet
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.bulk import BulkMixin
from api.conventions.views import Spec
from api.conventions.viewsets import CorrectMixin, DestroyMixin
from api.conventions.writing import Writing
from zones.gates import landing_for
from zones.models import Landing
from zones.selectors import colour_of, home_cables, pulled_clips_before
from zones.services.landings import landing_add, landing_correct, landing_end

from .closets import BlockSerializer
from .dated import PlacedFilterSet, PlacedMixin, PlacedSerializer, before_asked
from .effects import BesideEffect
from .sites import SiteSerializer


class LandingSerializer(PlacedSerializer):
    colour = fields.Text(read_only=True, help_text="The conductor's own colour, then its band's.")
    clip_in = fields.Flag(
        read_only=True,
        allow_null=True,
        help_text="Whether the row's halves are joined; null: nothing on this block can be pulled.",
    )

    expansions = {"site": SiteSerializer, "block": BlockSerializer}

    class Meta:
        model = Landing


class LandedSerializer(BesideEffect, serializers.Serializer):
    """The conductors that one request landed or took off."""

    items = LandingSerializer(many=True)


class LandingFilterSet(PlacedFilterSet):
    block_id = fields.Id()
    closet_id = fields.Id(source="block__closet_id", help_text="What lies on the blocks of this closet.")
    row = fields.Whole(min_value=1, max_value=32767)
    side = fields.Choice(choices=Landing.Side.choices)
    carries = fields.Choice(choices=Landing.Carries.choices)
    run_id = fields.Id()
    output_id = fields.Id()
    supply_id = fields.Id()
    amplifier_id = fields.Id()

    across = {"id": ()}


class LandingViewSet(BulkMixin, PlacedMixin, CorrectMixin, DestroyMixin):
    """Conductors on blocks, one a row. A pair is landed at once, its colours following from its number; two
    wires on one clip are recorded and flagged, since the fault exists."""

    gate = landing_for
    serializer_class = LandingSerializer
    filterset_class = LandingFilterSet
    ordering_fields = {"row": "row", "block": "block__name", "id": "id"}
    ordering = "row"
    bodies = {
        "create": Writing(landing_add, within=("block",)),
        "destroy": Writing(landing_end, subject="landings"),
        "correct": Writing(landing_correct, subject="landing", partial=True),
    }
    answers = {"create": LandedSerializer}

    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """Land a pair on two rows of a block: of a run's field cable, or of equipment."""
        return self._landed(self.perform().result, status=201)

    @action(
        detail=False,
        methods=["post"],
        url_path="take-off",
        action_spec=Spec(body=Writing(landing_end, within=("landings",)), answer=LandedSerializer),
    )
    def take_off(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """Take several conductors off at once: both of a pair, or all of a run."""
        return self._landed(self.perform().result, status=200)

    def annotate(self, rows: Sequence[Any]) -> None:
        pulled = pulled_clips_before(before_asked(self.asked), block_ids={row.block_id for row in rows})
        of_runs = [row for row in rows if row.run_id is not None]
        cables = home_cables(
            before_asked(self.asked),
            site_ids={row.site_id for row in of_runs},
            run_ids={row.run_id for row in of_runs},
        )
        for row in rows:
            row.clip_in = (row.block_id, row.row) not in pulled if row.block.can_isolate else None
            row.colour = colour_of(row, cables)

    def get_queryset(self) -> QuerySet[Any]:
        return super().get_queryset().prefetch_related("block")

    def _landed(self, landings: Sequence[Landing], *, status: int) -> Response:
        rows = [self.gate(principal=self.principal, id=landing.pk) for landing in landings]
        self.annotate(rows)
        shown = self.shown(rows)
        return self.answered(Response({"items": shown}, status=status))
