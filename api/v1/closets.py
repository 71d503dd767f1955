"""Closets, where things are mounted and how a person gets in; the contacts to call; and the
termination blocks in them, with the clips on these."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.bulk import BulkMixin
from api.conventions.serializers import ResourceSerializer
from api.conventions.views import Spec
from api.conventions.viewsets import RecordViewSet
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.access.gates import block_for, closet_for, contact_for
from sites.changes.steps import first_step_after
from sites.models import Block, Closet, Contact
from sites.services.closets import (
    block_add,
    block_alter,
    block_end,
    closet_add,
    closet_alter,
    closet_end,
    contact_add,
    contact_alter,
    contact_remove,
)
from zones.electrical.subjects import SubjectKind
from zones.findings.open_counts import open_in_closets
from zones.selectors import pulled_clips_before
from zones.services.landings import clip_correct, clip_pull, clip_put
from zones.sheets.closet_sheet import closet_sheet
from zones.sheets.wiring import wiring_of_block

from .closet_sheets import BlockRowsSerializer, ClosetSheetSerializer, block_rows_data, closet_sheet_data
from .dated import (
    NO_CASE,
    AsOfQuery,
    NamedFilterSet,
    PlacedFilterSet,
    PlacedMixin,
    PlacedSerializer,
    SiteFilterSet,
    before_asked,
    day_asked,
)
from .loads import SubjectLoadMixin
from .open_findings import NAME, BesideOpenFindings, OpenFindingsSerializer, annotate_open_findings
from .sites import SiteSerializer


class ContactSerializer(ResourceSerializer):
    expansions = {"site": SiteSerializer}

    class Meta:
        model = Contact


class ContactFilterSet(SiteFilterSet):
    closet_id = fields.Id()
    role = fields.Choice(choices=Contact.Role.choices)

    across = {"name": (), "id": ()}


class ContactViewSet(BulkMixin, RecordViewSet):
    """People to call about a site or one of its closets."""

    gate = contact_for
    serializer_class = ContactSerializer
    filterset_class = ContactFilterSet
    ordering_fields = {"name": "name", "id": "id"}
    bodies = {
        "create": Writing(contact_add, within=("site",)),
        "partial_update": Writing(contact_alter, subject="contact", partial=True),
        "destroy": Writing(contact_remove, subject="contact"),
    }


class ClosetSerializer(BesideOpenFindings, PlacedSerializer):
    expansions = {"site": SiteSerializer, "contacts": ContactSerializer, NAME: OpenFindingsSerializer}

    class Meta:
        model = Closet
        # the place of the key is shown on the closet sheet, and in no list
        exclude = ("key_location",)


class ClosetFilterSet(PlacedFilterSet):
    building = fields.Text(source="building__iexact", help_text=NO_CASE)


class ClosetViewSet(BulkMixin, PlacedMixin, RecordViewSet):
    """Telecommunications closets, with how to reach them. Door codes are not here: each is read by itself."""

    gate = closet_for
    serializer_class = ClosetSerializer
    filterset_class = ClosetFilterSet
    bodies = {
        "create": Writing(closet_add, within=("site",)),
        "partial_update": Writing(closet_alter, subject="closet", partial=True),
        "destroy": Writing(closet_end, subject="closet"),
    }

    def annotate(self, rows: Sequence[Any]) -> None:
        super().annotate(rows)
        if NAME in self.asked.get("expand", ()):
            annotate_open_findings(rows, open_in_closets(rows))

    @action(detail=True, action_spec=Spec(Ability.READ_RECORD, query=AsOfQuery, answer=ClosetSheetSerializer))
    def sheet(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """Read this before a visit: life safety, dangers, the way in, what stands there, what it
        carries, what is wrong with it and what is not recorded. Never a code."""
        closet: Closet = self.get_standing_object()
        return Response(closet_sheet_data(closet_sheet(closet, day_asked(self.asked, closet.site))))


class BlockSerializer(PlacedSerializer):
    pulled_rows = serializers.ListField(
        child=fields.Whole(),
        read_only=True,
        help_text="Rows whose clip is out, so that the field cable on them is isolated.",
    )  # not there where the block is expanded in something else, whose day it is not

    expansions = {"site": SiteSerializer, "closet": ClosetSerializer}

    class Meta:
        model = Block


class BlockFilterSet(NamedFilterSet):
    kind = fields.Choice(choices=Block.Kind.choices)


class BlockViewSet(BulkMixin, SubjectLoadMixin, PlacedMixin, RecordViewSet):
    """Termination blocks. `landings` lists what lies on them. A clip is pulled or inserted on a day. That
    overwrites nothing, so it takes no version of the block."""

    kind = SubjectKind.BLOCK
    gate = block_for
    serializer_class = BlockSerializer
    filterset_class = BlockFilterSet
    bodies = {
        "create": Writing(block_add, within=("closet",)),
        "partial_update": Writing(block_alter, subject="block", partial=True),
        "destroy": Writing(block_end, subject="block"),
    }

    @action(detail=True, action_spec=Spec(Ability.READ_RECORD, query=AsOfQuery, answer=BlockRowsSerializer))
    def rows(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """What is landed on each row, what is wrong with it, and how to disconnect each run that leaves this
        block or is landed on it."""
        block: Block = self.get_standing_object()
        day = day_asked(self.asked, block.site)
        return Response(block_rows_data(block, wiring_of_block(block, first_step_after(day)), day))

    @action(
        detail=True,
        methods=["post"],
        url_path="pull-clips",
        action_spec=Spec(body=Writing(clip_pull, subject="block")),
    )
    def pull_clips(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """Pull bridging clips: the field cable on these rows is isolated."""
        return self.change(expects=False)

    @action(
        detail=True,
        methods=["post"],
        url_path="put-clips",
        action_spec=Spec(body=Writing(clip_put, subject="block")),
    )
    def put_clips(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """Insert bridging clips."""
        return self.change(expects=False)

    @action(
        detail=True,
        methods=["post"],
        url_path="correct-clip",
        action_spec=Spec(body=Writing(clip_correct, subject="block")),
    )
    def correct_clip(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """Correct whether a clip was in."""
        return self.change(expects=False)

    def annotate(self, rows: Sequence[Any]) -> None:
        pulled: dict[int, list[int]] = {row.pk: [] for row in rows}
        for block_id, number in sorted(pulled_clips_before(before_asked(self.asked), block_ids=pulled)):
            pulled[block_id].append(number)
        for row in rows:
            row.pulled_rows = pulled[row.pk]
