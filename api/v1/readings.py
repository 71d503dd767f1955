"""Readings: what an instrument said on a day."""

from __future__ import annotations

from typing import Any, ClassVar

from django.db.models import QuerySet
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.cursors import Order
from api.conventions.listing import Lookup
from api.conventions.representations import Expansion, Representation
from api.conventions.views import Listed, Made, Shown
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from zones.gates import reading_for
from zones.models import Reading
from zones.services.readings import reading_record, reading_supersede

from .placed import SiteFilters
from .points import PointShown
from .runs import RunShown
from .sites import SiteShown
from .switches import SwitchShown


class ReadingShown(Representation):
    superseded_by_id = fields.Id(
        source="superseded_by.pk",
        read_only=True,
        allow_null=True,
        help_text="The reading that took its place, where it was written down wrongly.",
    )

    expansions: ClassVar = {
        "site": Expansion(SiteShown, related=("site",)),
        "run": Expansion(RunShown, related=("run",), nullable=True),
        "point": Expansion(PointShown, related=("point",), nullable=True),
        "switch": Expansion(SwitchShown, related=("switch",), nullable=True),
    }

    class Meta:
        model = Reading
        fields = (
            "id",
            "site_id",
            "kind",
            "state",
            "value",
            "run_id",
            "point_id",
            "switch_id",
            "power_group",
            "source_voltage_v",
            "taken_on",
            "technician",
            "instrument",
            "calibrated_on",
            "supersedes_id",
            "superseded_by_id",
            "note",
        )
        extra_kwargs = {"value": {"help_text": "In the unit of its kind: A, V or W."}}


def _superseded(rows: QuerySet[Reading], which: str) -> QuerySet[Reading]:
    return rows if which == "any" else rows.filter(superseded_by__isnull=which == "no")


class ReadingFilters(SiteFilters):
    run_id = fields.Id(required=False, help_text="Readings of this run, those at its points included.")
    point_id = fields.Id(required=False)
    switch_id = fields.Id(required=False)
    kind = fields.Choice(choices=Reading.Kind.choices, required=False)
    state = fields.Choice(choices=Reading.State.choices, required=False)
    taken_from = fields.Day(required=False, help_text="Taken on this day or later.")
    taken_until = fields.Day(required=False, help_text="Taken on this day or earlier.")
    superseded = fields.Choice(
        choices=["no", "yes", "any"],
        default="no",
        help_text="Those that count, those that another took the place of, or both.",
    )

    lookups: ClassVar[dict[str, Lookup]] = {
        **SiteFilters.lookups,
        "run_id": "run_id",
        "point_id": "point_id",
        "switch_id": "switch_id",
        "kind": "kind",
        "state": "state",
        "taken_from": "taken_on__gte",
        "taken_until": "taken_on__lte",
        "superseded": _superseded,
    }


class Readings(Listed, Shown, Made):
    """What instruments said. Nothing is taken back: a reading that was written down wrongly stays, and
    another takes its place."""

    gate = reading_for
    representation = ReadingShown
    filters = ReadingFilters
    orders = {"taken_on": Order("taken_on"), "site": Order("site__name"), "id": Order("id")}
    usual_order = "-taken_on"
    abilities = {
        "list": Ability.READ_INVENTORY,
        "retrieve": Ability.READ_INVENTORY,
        "create": Ability.WRITE_READINGS,
        "supersede": Ability.WRITE_READINGS,
    }
    bodies = {
        "create": Writing(reading_record, within=("run", "point", "switch")),
        "supersede": Writing(reading_supersede, subject="reading", partial=True),
    }
    making = ("create", "supersede")

    def rows(self) -> QuerySet[Reading]:
        rows: QuerySet[Reading] = super().rows().select_related("superseded_by")
        return rows

    @action(detail=True, methods=["post"])
    def supersede(self, request: Request, id: int) -> Response:  # noqa: A002, ARG002 - of an address
        """Put another reading in the place of one that was written down wrongly. A reading never changes, so
        this asks for no version of it; a second one in the same place is refused."""
        reading: Any = self.row()
        writing = self.writing()
        asked = writing.read(self.request.data, self.principal)
        made = writing.accept(asked, principal=self.principal, site_id=reading.site_id, subject=reading)
        return self.shown(self.gate(principal=self.principal, id=made.result.pk), status=201)
