"""Sites, one installation at one address each, and what the record of one leaves open."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from django.db.models import QuerySet
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.bodies import Rendered
from api.conventions.filters import FilterSet
from api.conventions.serializers import RenderedSerializer
from api.conventions.sizes import WithLimitSerializer, within_limit
from api.conventions.views import Spec
from api.conventions.viewsets import CreateMixin, UpdateMixin
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.access.gates import site_for
from sites.models import Site
from sites.services.sites import site_add, site_alter
from zones.electrical.reading_trials import Figure
from zones.electrical.subjects import SubjectKind
from zones.findings.open_counts import open_on_sites
from zones.models.test_kinds import TestKind, TestSignal, TestState
from zones.sheets.measuring import ToMeasure
from zones.sheets.survey import Question, Survey, site_survey

from . import figures
from .customers import CoverageSerializer, CustomerSerializer
from .dated import NO_CASE, AsOfQuery, day_asked
from .effects import BesideEffect, EffectMixin
from .loads import SubjectLoadMixin
from .open_findings import NAME, BesideOpenFindings, OpenFindingsSerializer, annotate_open_findings


class ToMeasureSerializer(RenderedSerializer):
    """A reading to take, as `POST /tests` records it. What it should read is not said before."""

    kind = fields.Choice(choices=TestKind.choices)
    state = fields.Choice(choices=TestState.choices)
    signal = fields.Choice(choices=TestSignal.choices, allow_null=True, help_text="null: nothing is paged.")
    unit = fields.Text()
    run_id = fields.Id()
    run = fields.Text()
    closet_id = fields.Id(help_text="Where the block of the run is.")
    closet = fields.Text()
    block_id = fields.Id()
    block = fields.Text()
    rows = serializers.ListField(
        child=fields.Whole(),
        help_text="Of the block: where the positive DC conductors of the run lie, on the field side. Empty: "
        "not recorded.",
    )
    point_id = fields.Id(allow_null=True, help_text="Where a voltage is read; null: at the block.")
    point = fields.Text(allow_blank=True)
    place = fields.Text(allow_blank=True, help_text="The room of the point.")
    settles = serializers.ListField(
        child=fields.Text(),
        help_text="The figures that it settles, together with the others of the list, if it reads what is "
        "likely.",
    )
    may_settle = serializers.ListField(
        child=fields.Text(), help_text="The figures that it helps to settle only where it reads otherwise."
    )
    sentence = fields.Text(help_text="What to read, and where.")
    probes = fields.Text(help_text="Where to put the probes.")


class QuestionSerializer(serializers.Serializer):
    """A figure that cannot be judged."""

    sentence = fields.Text(help_text="The question in sentences.")
    missing = serializers.ListField(
        child=fields.Text(),
        help_text="What it depends on and is not recorded, or only estimated; empty: measure.",
    )
    reading = ToMeasureSerializer(
        allow_null=True, help_text="The one reading that narrows it most; null: none does, look it up."
    )
    figure = figures.FigureSerializer()


class SurveySerializer(WithLimitSerializer):
    """What a site leaves open on a day: the list for the next visit."""

    site_id = fields.Id()
    site = fields.Text(help_text="Its name.")
    as_of = fields.Day()
    summary = fields.Text(help_text="The survey in a few sentences.")
    items = QuestionSerializer(many=True)
    to_measure = ToMeasureSerializer(
        many=True,
        help_text="The short list: readings that settle what readings can settle, in the order of a walk, by "
        "closet, block and row, then by room. Enter what was read, and ask again.",
    )
    not_computed = figures.NotComputedSerializer(many=True, help_text="What cannot be computed, and why.")
    to_check = serializers.ListField(
        child=fields.Text(), help_text="Recorded values that contradict each other, each in a sentence."
    )
    to_ask = serializers.ListField(
        child=fields.Text(), help_text="Questions that people at the site can answer and the record cannot."
    )


def survey_data(site: Site, survey: Survey) -> Rendered:
    return within_limit(
        {
            "site_id": site.pk,
            "site": site.name,
            "as_of": survey.as_of.isoformat(),
            "summary": survey.summary,
            "items": [_question(one, survey.measuring.best) for one in survey.questions],
            "to_measure": [asdict(one) for one in survey.measuring.to_measure],
            "not_computed": [figures.not_computed(one) for one in survey.problems],
            "to_check": list(survey.to_check),
            "to_ask": list(survey.to_ask),
        }
    )


def _question(one: Question, best: Mapping[Figure, ToMeasure]) -> dict[str, Any]:
    reading = best.get((one.figure.load.code, one.figure.load.subject))
    return {
        "sentence": one.sentence,
        "missing": list(one.missing),
        "reading": None if reading is None else asdict(reading),
        "figure": figures.figure(one.figure),
    }


class SiteSerializer(BesideEffect, BesideOpenFindings):
    expansions = {
        "customer": CustomerSerializer,
        "coverages": CoverageSerializer,
        NAME: OpenFindingsSerializer,
    }

    class Meta:
        model = Site


class SiteFilterSet(FilterSet):
    customer_id = fields.Id()
    contract_id = fields.Id(
        help_text="Sites that this contract covers, did or will; with `covered_on`: covers on that day."
    )
    code = fields.Text()
    city = fields.Text(source="city__iexact", help_text=NO_CASE)
    # One contract at a time covers a site (a constraint), so the join repeats no row
    covered_on = fields.Day(
        source="coverages__days__contains", help_text="Sites under a contract on this day."
    )

    leading = frozenset({"code"})
    # Few sites of many are under no contract: those that are come in any order
    across = {
        "name": ("covered_on",),
        "code": ("covered_on",),
        "customer": ("covered_on",),
        "city": ("city", "covered_on"),
        "id": ("city", "covered_on"),
    }

    def filter_contract_id(self, rows: QuerySet[Site], value: int) -> QuerySet[Site]:
        on = self.validated_data.get("covered_on")
        then = {} if on is None else {"coverages__days__contains": on}
        # A contract may cover a site again after a gap
        return rows.filter(coverages__contract_id=value, **then).distinct()


class SiteViewSet(SubjectLoadMixin, EffectMixin, CreateMixin, UpdateMixin):
    """Sites: one installation at one address each."""

    gate = site_for
    kind = SubjectKind.SITE
    serializer_class = SiteSerializer
    filterset_class = SiteFilterSet
    ordering_fields = {
        "name": "name",
        "code": "code",
        "city": "city",
        "customer": "customer__name",
        "id": "id",
    }
    bodies = {
        "create": Writing(site_add),
        "partial_update": Writing(site_alter, partial=True),
    }

    def annotate(self, rows: Sequence[Any]) -> None:
        super().annotate(rows)
        if NAME in self.asked.get("expand", ()):
            annotate_open_findings(rows, open_on_sites([site.pk for site in rows]))

    @action(detail=True, action_spec=Spec(Ability.READ_RECORD, query=AsOfQuery, answer=SurveySerializer))
    def survey(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """What the record of the site leaves open on a day: the figures that cannot be judged, and the values
        that are missing for it."""
        site: Site = self.get_object()
        return Response(survey_data(site, site_survey(site.pk, day_asked(self.asked, site))))

    def get_standing_object(self) -> Site:
        site: Site = self.get_object()
        return site

    def site_id_of(self, row: Site) -> int:
        return row.pk
