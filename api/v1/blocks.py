"""Termination blocks, and the clips on them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, ClassVar

from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.cursors import Order
from api.conventions.listing import Lookup
from api.conventions.representations import Expansion, Representation
from api.conventions.views import Ended
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.access.gates import block_for
from sites.models import Block
from sites.services.closets import block_add, block_alter, block_end
from zones.selectors import pulled_clips_before
from zones.services.landings import clip_correct, clip_pull, clip_put

from .closets import ClosetShown
from .dated import Stood, StoodFilters, before_asked
from .placed import StepDay
from .sites import SiteShown


class BlockShown(Representation):
    pulled_rows = serializers.ListField(
        child=fields.Whole(),
        read_only=True,
        help_text="Rows whose clip is out, so that the field cable on them is isolated.",
    )
    began_on = StepDay(source="begin_step")
    ended_on = StepDay(source="end_step", allow_null=True)

    expansions: ClassVar = {
        "site": Expansion(SiteShown, related=("site",)),
        "closet": Expansion(ClosetShown, related=("closet",)),
    }

    class Meta:
        model = Block
        fields = (
            "id",
            "site_id",
            "closet_id",
            "name",
            "kind",
            "row_count",
            "note",
            "pulled_rows",
            "began_on",
            "ended_on",
        )

    def to_representation(self, instance: Any) -> dict[str, Any]:
        shown: dict[str, Any] = super().to_representation(instance)
        if not hasattr(instance, "pulled_rows"):
            # Shown within something else, whose day it is not
            shown.pop("pulled_rows", None)
        return shown


class BlockFilters(StoodFilters):
    closet_id = fields.Id(required=False)
    name = fields.Text(required=False, help_text="Without regard to capital letters.")
    kind = fields.Choice(choices=Block.Kind.choices, required=False)

    lookups: ClassVar[dict[str, Lookup]] = {
        **StoodFilters.lookups,
        "closet_id": "closet_id",
        "name": "name__iexact",
        "kind": "kind",
    }


class Blocks(Stood, Ended):
    """Termination blocks. What lies on them is in `landings`. A clip is pulled or put on a day: that is kept
    beside what was so before, and overwrites nothing, so it asks for no version of the block."""

    gate = block_for
    representation = BlockShown
    filters = BlockFilters
    orders = {"name": Order("name"), "site": Order("site__name"), "id": Order("id")}
    usual_order = "name"
    abilities = {
        "list": Ability.READ_INVENTORY,
        "retrieve": Ability.READ_INVENTORY,
        "create": Ability.WRITE_INVENTORY,
        "partial_update": Ability.WRITE_INVENTORY,
        "destroy": Ability.WRITE_INVENTORY,
        "pull_clips": Ability.WRITE_INVENTORY,
        "put_clips": Ability.WRITE_INVENTORY,
        "correct_clip": Ability.WRITE_INVENTORY,
    }
    bodies = {
        "create": Writing(block_add, within=("closet",)),
        "partial_update": Writing(block_alter, subject="block", partial=True),
        "destroy": Writing(block_end, subject="block"),
        "pull_clips": Writing(clip_pull, subject="block"),
        "put_clips": Writing(clip_put, subject="block"),
        "correct_clip": Writing(clip_correct, subject="block"),
    }

    def furnish(self, rows: Sequence[Any]) -> None:
        before = before_asked(getattr(self, "asked", {}))
        pulled: dict[int, list[int]] = {row.pk: [] for row in rows}
        for block_id, number in sorted(pulled_clips_before(before, block_ids=pulled)):
            pulled[block_id].append(number)
        for row in rows:
            row.pulled_rows = pulled[row.pk]

    @action(detail=True, methods=["post"], url_path="pull-clips")
    def pull_clips(self, request: Request, id: int) -> Response:  # noqa: A002, ARG002 - of an address
        """Pull bridging clips: the field cable on these rows is isolated."""
        return self._done_to_clips()

    @action(detail=True, methods=["post"], url_path="put-clips")
    def put_clips(self, request: Request, id: int) -> Response:  # noqa: A002, ARG002
        """Put bridging clips in."""
        return self._done_to_clips()

    @action(detail=True, methods=["post"], url_path="correct-clip")
    def correct_clip(self, request: Request, id: int) -> Response:  # noqa: A002, ARG002
        """Whether a clip was in was recorded wrongly."""
        return self._done_to_clips()

    def _done_to_clips(self) -> Response:
        block, writing = self.row(), self.writing()
        asked = writing.read(self.request.data, self.principal)
        writing.accept(asked, principal=self.principal, site_id=block.site_id, subject=block)
        return self.shown(self.row())
