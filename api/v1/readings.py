"""Readings: what an instrument said on a day."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.serializers import ResourceSerializer
from api.conventions.views import Spec
from api.conventions.viewsets import CreateMixin
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from zones.gates import reading_for
from zones.models import Reading
from zones.selectors import was_superseded
from zones.services.readings import reading_record, reading_supersede

from .dated import SiteFilterSet
from .effects import BesideEffect, EffectMixin
from .points import PointSerializer
from .runs import RunSerializer
from .sites import SiteSerializer
from .switches import SwitchSerializer


class ReadingSerializer(BesideEffect, ResourceSerializer):
    superseded_by_id = fields.Id(
        source="superseded_by.pk",
        read_only=True,
        allow_null=True,
        help_text="The reading that took its place, where it was recorded wrongly.",
    )

    expansions = {
        "site": SiteSerializer,
        "run": RunSerializer,
        "point": PointSerializer,
        "switch": SwitchSerializer,
    }

    class Meta:
        model = Reading
        extra_kwargs = {"value": {"help_text": "In the unit of its kind: A, V or W."}}


class ReadingFilterSet(SiteFilterSet):
    run_id = fields.Id(help_text="Readings of this run, those at its points included.")
    point_id = fields.Id()
    switch_id = fields.Id()
    kind = fields.Choice(choices=Reading.Kind.choices)
    state = fields.Choice(choices=Reading.State.choices)
    signal = fields.Choice(choices=Reading.Signal.choices)
    taken_from = fields.Day(source="taken_on__gte", help_text="Taken on this day or later.")
    taken_until = fields.Day(source="taken_on__lte", help_text="Taken on this day or earlier.")
    superseded = fields.Choice(
        choices=["no", "yes", "any"],
        default="no",
        help_text="Those that count, those that another took the place of, or both.",
    )

    across = {"taken_on": ("taken_from", "taken_until", "kind"), "id": ()}

    def is_sparse(self, name: str) -> bool:
        return name != "superseded" or self.validated_data[name] == "yes"

    def filter_superseded(self, rows: QuerySet[Reading], value: str) -> QuerySet[Reading]:
        return rows if value == "any" else rows.filter(was_superseded(superseded=value == "yes"))


class ReadingViewSet(EffectMixin, CreateMixin):
    """What instruments said. Nothing is taken back: a reading that was recorded wrongly stays, and
    another takes its place."""

    gate = reading_for
    serializer_class = ReadingSerializer
    filterset_class = ReadingFilterSet
    ordering_fields = {"taken_on": "taken_on", "site": "site__name", "id": "id"}
    ordering = "-taken_on"
    write_ability = Ability.WRITE_READINGS
    bodies = {"create": Writing(reading_record, within=("run", "point", "switch"))}

    def get_queryset(self) -> QuerySet[Reading]:
        return super().get_queryset().prefetch_related("superseded_by")

    @action(
        detail=True,
        methods=["post"],
        action_spec=Spec(body=Writing(reading_supersede, subject="reading", partial=True), status=201),
    )
    def supersede(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """Put another reading in the place of one that was recorded wrongly. A reading never changes, so this
        takes no version of it; a second one in the same place is refused."""
        return self.respond_anew(self.perform(self.get_object(), expects=False).result.pk)
