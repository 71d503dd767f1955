"""The load of one thing: ``GET /runs/{id}/load`` and the same of every other kind of subject; and worked
calculations."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from datetime import date
from typing import Any, ClassVar

from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.answers import AnswerSerializer, rounded, shown_by
from api.conventions.filters import Names
from api.conventions.sizes import WithLimitSerializer, within_limit
from api.conventions.views import Spec
from sites.access.abilities import Ability
from sites.access.scope import Scope, scoped
from sites.access.selectors import Principal
from sites.changes.making import today_in
from sites.models import Site
from sites.once import once
from zones.electrical.subjects import SubjectKind
from zones.findings.selectors import open_on_site
from zones.loads.explanations import Explanations
from zones.loads.explanations.worked import Table, Worked
from zones.loads.site_loads import Loads, loads_on, site_loads
from zones.loads.subject_loads import load_of_subject
from zones.loads.wording import RenderedLoad
from zones.models import Zone

from . import figures
from .dated import AsOfQuery, day_asked


class CellsField(serializers.ListField):
    """The rows of a table, each by the keys of its columns."""

    child = serializers.DictField(child=serializers.JSONField())

    def to_representation(self, data: Any) -> list[dict[str, Any]]:
        return [
            {key: rounded(cell) if isinstance(cell, float) else cell for key, cell in row.items()}
            for row in data
        ]


class TableSerializer(AnswerSerializer):
    rows = CellsField(help_text="By the keys of the columns.")

    class Meta:
        dataclass = Table


class CalculationSerializer(AnswerSerializer):
    """A worked calculation: formula, assumptions, inputs, what was summed or followed along the run, and the
    steps."""

    tables = TableSerializer(many=True)

    class Meta:
        dataclass = Worked


class LoadQuery(AsOfQuery):
    explain = fields.Flag(
        default=False, help_text="With each figure also its worked calculation, from the inputs to the limit."
    )


class ExplainedSerializer(figures.FigureSerializer):
    """A figure; with `explain=true` also how it was computed."""

    finding_id = fields.Id(allow_null=True, help_text="The finding that is open on it today.")
    calculation = CalculationSerializer(required=False)


class SubjectLoadQuery(LoadQuery):
    code = Names(figures.CODES, required=False, help_text="Only these limits, with commas between them.")


class DependentZoneSerializer(serializers.Serializer):
    id = fields.Id()
    name = fields.Text()
    life_safety = fields.Choice(choices=Zone.LifeSafety.choices)


class SubjectLoadSerializer(WithLimitSerializer):
    """Every figure of one thing on a day, worst verdict first and then least headroom."""

    subject = figures.SubjectSerializer()
    site_id = fields.Id()
    as_of = fields.Day()
    verdict = fields.Choice(choices=figures.VERDICTS, help_text="The worst of all its figures.")
    items = ExplainedSerializer(many=True)
    not_computed = figures.NotComputedSerializer(many=True, help_text="What cannot be computed, and why.")
    zones = DependentZoneSerializer(many=True, help_text="The zones that depend on it.")


@once
def zones_seen(scope: Scope, site_id: int, zone_ids: Collection[int]) -> list[Zone]:
    """The zones among these that are in scope, by name."""
    return list(scoped(Zone, scope).filter(site_id=site_id, pk__in=zone_ids).order_by("name", "pk"))


class SubjectLoadMixin:
    """Mixin for view sets whose things are subjects of figures. `kind`: the kind of these subjects."""

    kind: ClassVar[SubjectKind]
    asked: Mapping[str, Any]
    principal: Principal

    @action(
        detail=True,
        action_spec=Spec(Ability.READ_RECORD, query=SubjectLoadQuery, answer=SubjectLoadSerializer),
    )
    def load(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """Every figure of this thing on a day, with its limit, headroom and verdict, and the zones that
        depend on it."""
        row = self.get_standing_object()  # type: ignore[attr-defined]
        site = row if self.kind is SubjectKind.SITE else row.site
        day = day_asked(self.asked, site)
        found = LoadsAsked(self.asked, site, day, subject=(self.kind, row.pk))
        load = load_of_subject(found.loads, (self.kind, row.pk))
        wanted = self.asked.get("code")
        return Response(
            within_limit(
                {
                    "subject": figures.subject((self.kind, row.pk), load.name),
                    "site_id": site.pk,
                    "as_of": load.as_of.isoformat(),
                    "verdict": load.verdict.name.lower(),
                    "items": found.shown(
                        one for one in load.figures if not wanted or one.limit.code in wanted
                    ),
                    "not_computed": [figures.not_computed(one) for one in load.problems],
                    "zones": DependentZoneSerializer(
                        zones_seen(self.principal.scope, site.pk, load.zone_ids), many=True
                    ).data,
                }
            )
        )


class LoadsAsked:
    """The loads that a `LoadQuery` asks for, of a site on a day, and how to show them. of: of which zone or
    subject, where not of all."""

    def __init__(self, asked: Mapping[str, Any], site: Site, day: date, **of: Any) -> None:
        self._explanations: Explanations | None = None
        if asked["explain"]:
            computed = site_loads(site.pk, day)
            self.loads: Loads = computed
            self._explanations = Explanations(computed)
        else:
            self.loads = loads_on(site.pk, day, **of)
        # Findings are those of today
        self._findings = open_on_site(site.pk) if day == today_in(site.time_zone) else {}

    def shown(self, figures_: Iterable[RenderedLoad]) -> list[dict[str, Any]]:
        return [self._shown(one) for one in figures_]

    def _shown(self, one: RenderedLoad) -> dict[str, Any]:
        shown = figures.figure(one)
        shown["finding_id"] = self._findings.get((one.load.code, *one.load.subject))
        if self._explanations is not None:
            shown["calculation"] = shown_by(CalculationSerializer, self._explanations.of(one.load))
        return shown
