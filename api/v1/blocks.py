"""Termination blocks, and the clips on them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rest_framework import serializers

from api.conventions import fields
from api.conventions.viewsets import RecordViewSet, change_action
from api.conventions.writing import Writing
from sites.access.gates import block_for
from sites.models import Block
from sites.services.closets import block_add, block_alter, block_end
from zones.selectors import pulled_clips_before
from zones.services.landings import clip_correct, clip_pull, clip_put

from .closets import ClosetSerializer
from .dated import NamedFilterSet, PlacedMixin, PlacedSerializer, before_asked
from .sites import SiteSerializer


class BlockSerializer(PlacedSerializer):
    pulled_rows = serializers.ListField(
        child=fields.Whole(),
        read_only=True,
        help_text="Rows whose clip is out, so that the field cable on them is isolated.",
    )

    expansions = {"site": SiteSerializer, "closet": ClosetSerializer}

    class Meta:
        model = Block

    def to_representation(self, instance: Any) -> dict[str, Any]:
        shown: dict[str, Any] = super().to_representation(instance)
        if not hasattr(instance, "pulled_rows"):
            # Expanded in something else, whose day it is not
            shown.pop("pulled_rows", None)
        return shown


class BlockFilterSet(NamedFilterSet):
    kind = fields.Choice(choices=Block.Kind.choices)


class BlockViewSet(PlacedMixin, RecordViewSet):
    """Termination blocks. What lies on them is in `landings`. A clip is pulled or put on a day: that is kept
    beside what was so before, and overwrites nothing, so it asks for no version of the block."""

    gate = block_for
    serializer_class = BlockSerializer
    filterset_class = BlockFilterSet
    bodies = {
        "create": Writing(block_add, within=("closet",)),
        "partial_update": Writing(block_alter, subject="block", partial=True),
        "destroy": Writing(block_end, subject="block"),
    }
    pull_clips = change_action(
        "pull-clips",
        Writing(clip_pull, subject="block"),
        "Pull bridging clips: the field cable on these rows is isolated.",
        if_match=False,
    )
    put_clips = change_action(
        "put-clips", Writing(clip_put, subject="block"), "Put bridging clips in.", if_match=False
    )
    correct_clip = change_action(
        "correct-clip",
        Writing(clip_correct, subject="block"),
        "Whether a clip was in was recorded wrongly.",
        if_match=False,
    )

    def annotate(self, rows: Sequence[Any]) -> None:
        pulled: dict[int, list[int]] = {row.pk: [] for row in rows}
        for block_id, number in sorted(pulled_clips_before(before_asked(self.asked), block_ids=pulled)):
            pulled[block_id].append(number)
        for row in rows:
            row.pulled_rows = pulled[row.pk]
