"""Zones, the area that hears one page: what they carry, and which network speakers are heard in them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.answers import AnswerSerializer, shown_by
from api.conventions.bodies import Rendered
from api.conventions.bulk import BulkMixin
from api.conventions.sizes import WithLimitSerializer, left_out_field, within_limit
from api.conventions.views import Spec
from api.conventions.viewsets import CreateMixin, DestroyMixin, RecordViewSet
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.changes.steps import first_step_after
from zones.findings.open_counts import open_on_zones
from zones.gates import zone_endpoint_for, zone_for
from zones.loads.histories import zone_history
from zones.loads.zone_loads import ZoneLoad, cautions_of_zone, loads_of_zones
from zones.models import Zone, ZoneEndpoint, ZoneFacts
from zones.services.zones import (
    zone_add,
    zone_alter,
    zone_correct,
    zone_end,
    zone_endpoint_add,
    zone_endpoint_end,
)
from zones.sheets.commissioning import commissioning_record
from zones.sheets.feeds import FeedingDevice, FeedingRun, zone_feeds

from . import figures, loads
from .dated import (
    NO_CASE,
    AsOfQuery,
    DatedFilterSet,
    DatedMixin,
    DatedSerializer,
    PlacedFilterSet,
    PlacedMixin,
    PlacedSerializer,
    day_asked,
)
from .endpoints import EndpointSerializer
from .histories import HistoryQuery, ZoneHistorySerializer, zone_history_data
from .open_findings import NAME, BesideOpenFindings, OpenFindingsSerializer, annotate_open_findings
from .proofs import CommissioningRecordSerializer
from .sites import SiteSerializer
from .zone_states import ZoneFigureSerializer, ZoneFindingSerializer, annotate_zones


class ZoneSerializer(BesideOpenFindings, DatedSerializer):
    left_out = left_out_field()

    expansions = {
        "site": SiteSerializer,
        "figures": ZoneFigureSerializer,
        "findings": ZoneFindingSerializer,
        NAME: OpenFindingsSerializer,
    }

    class Meta:
        model = Zone
        facts = ZoneFacts


class ZoneFilterSet(DatedFilterSet):
    name = fields.Text(source="name__iexact", help_text=NO_CASE)
    page_code = fields.Text()
    group = fields.Text(help_text="Zones that belong to this group.")
    life_safety = fields.Choice(choices=Zone.LifeSafety.choices)
    signal = fields.Choice(choices=ZoneFacts.Signal.choices)

    across = {"name": ("name",), "site": (), "id": ("name", "life_safety")}

    def filter_group(self, rows: Any, value: str) -> Any:
        return rows.filter(groups__contains=[value])


class ZoneLoadSerializer(WithLimitSerializer):
    """Everything that bears on a zone on a day, worst verdict first and then least headroom."""

    zone_id = fields.Id()
    zone = fields.Text(help_text="Its name.")
    site_id = fields.Id()
    life_safety = fields.Choice(choices=Zone.LifeSafety.choices)
    as_of = fields.Day()
    verdict = fields.Choice(choices=figures.VERDICTS, help_text="The worst of all its figures.")
    summary = fields.Text(help_text="The loads in a sentence or two.")
    tightest = figures.FigureSerializer(allow_null=True, help_text="The figure of least headroom.")
    items = loads.ExplainedSerializer(many=True)
    not_computed = figures.NotComputedSerializer(many=True, help_text="What cannot be computed, and why.")
    cautions = figures.CautionSerializer(many=True)


class ZoneFeedsSerializer(WithLimitSerializer):
    """What a page passes through on its way to a zone on a day: runs with all that feeds them, back to the
    port of the switch, and network speakers."""

    zone_id = fields.Id()
    as_of = fields.Day()
    runs = AnswerSerializer(dataclass=FeedingRun, many=True)
    speakers = AnswerSerializer(dataclass=FeedingDevice, many=True, help_text="Network speakers.")


class ZoneViewSet(BulkMixin, DatedMixin, RecordViewSet):
    """Zones: the area that hears one page. Life safety and signal are `unknown` until they are recorded."""

    gate = zone_for
    serializer_class = ZoneSerializer
    filterset_class = ZoneFilterSet
    ordering_fields = {"name": "name", "page_code": "page_code", "site": "site__name", "id": "id"}
    bodies = {
        "create": Writing(zone_add, within=("site",)),
        "partial_update": Writing(zone_alter, subject="zone", partial=True),
        "destroy": Writing(zone_end, subject="zone"),
        "correct": Writing(zone_correct, subject="zone", partial=True),
    }

    def annotate(self, rows: Sequence[Any]) -> None:
        super().annotate(rows)
        annotate_zones(rows, self.asked.get("expand", ()))
        if NAME in self.asked.get("expand", ()):
            annotate_open_findings(rows, open_on_zones([zone.pk for zone in rows]))

    @action(
        detail=True, action_spec=Spec(Ability.READ_RECORD, query=loads.LoadQuery, answer=ZoneLoadSerializer)
    )
    def load(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """What the zone carries on a day: every figure that bears on it, from its runs back to the switch,
        with its limit, headroom and verdict."""
        zone, day = self._asked_for()
        found = loads.LoadsAsked(self.asked, zone.site, day, zone_id=zone.pk)
        load = loads_of_zones(found.loads, [zone.pk])[zone.pk]
        return Response(zone_load_data(zone, load, found.shown(load.figures)))

    @action(
        detail=True, action_spec=Spec(Ability.READ_RECORD, query=HistoryQuery, answer=ZoneHistorySerializer)
    )
    def history(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """The history of what the zone carries: each figure over time, from its commissioning on, with the
        changes that made it and those that crossed its limit."""
        zone, day = self._asked_for()
        lines = zone_history(zone.pk, zone.site_id, day, codes=self.asked.get("code"))
        return Response(zone_history_data(zone, day, lines))

    @action(detail=True, action_spec=Spec(Ability.READ_RECORD, query=AsOfQuery, answer=ZoneFeedsSerializer))
    def feeds(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """What feeds the zone on a day: its runs and network speakers, each with its output, supply and
        amplifier, endpoint, port and switch."""
        zone, day = self._asked_for()
        found = zone_feeds(zone, first_step_after(day))
        answer = {"zone_id": zone.pk, "as_of": day, "runs": found.runs, "speakers": found.speakers}
        return Response(within_limit(shown_by(ZoneFeedsSerializer, {**answer, "left_out": []})))

    @action(
        detail=True,
        action_spec=Spec(Ability.READ_RECORD, query=AsOfQuery, answer=CommissioningRecordSerializer),
    )
    def commissioning(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """The commissioning record of the zone, to hand to the customer: each run's proof, who tested what,
        when and with which instrument, and what each test should have read."""
        found = vars(commissioning_record(*self._asked_for()))
        return Response(within_limit(shown_by(CommissioningRecordSerializer, {**found, "left_out": ()})))

    def _asked_for(self) -> tuple[Zone, date]:
        """The zone, and the day that was asked for, on which it stood."""
        zone: Zone = self.get_standing_object()
        return zone, day_asked(self.asked, zone.site)


def zone_load_data(zone: Zone, load: ZoneLoad, items: Sequence[Mapping[str, Any]]) -> Rendered:
    """items: the figures as they are shown."""
    return within_limit(
        {
            "zone_id": zone.pk,
            "zone": zone.name,
            "site_id": zone.site_id,
            "life_safety": zone.life_safety,
            "as_of": load.as_of.isoformat(),
            "verdict": load.verdict.name.lower(),
            "summary": load.summary,
            "tightest": None if load.tightest is None else figures.figure(load.tightest),
            "items": items,
            "not_computed": [figures.not_computed(one) for one in load.problems],
            "cautions": figures.cautions(cautions_of_zone(zone, load)),
        }
    )


class ZoneEndpointSerializer(PlacedSerializer):
    expansions = {"zone": ZoneSerializer, "endpoint": EndpointSerializer}

    class Meta:
        model = ZoneEndpoint


class ZoneEndpointFilterSet(PlacedFilterSet):
    zone_id = fields.Id()
    endpoint_id = fields.Id()

    across = {"id": ()}


class ZoneEndpointViewSet(BulkMixin, PlacedMixin, CreateMixin, DestroyMixin):
    """Network speakers that are heard in a zone, each from a day to a day."""

    gate = zone_endpoint_for
    serializer_class = ZoneEndpointSerializer
    filterset_class = ZoneEndpointFilterSet
    ordering_fields = {"id": "id", "zone": "zone__name", "endpoint": "endpoint__name"}
    ordering = "id"
    bodies = {
        "create": Writing(zone_endpoint_add, within=("zone",)),
        "destroy": Writing(zone_endpoint_end, subject="zone_endpoint"),
    }
