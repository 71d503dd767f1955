"""Runs: one field cable from a block to a chain of devices, and what feeds it."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.answers import AnswerSerializer, shown_by
from api.conventions.bulk import BulkMixin
from api.conventions.sizes import WithLimitSerializer, within_limit
from api.conventions.views import Spec
from api.conventions.viewsets import RecordViewSet
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.changes.steps import first_step_after
from sites.models import Site
from zones.electrical.subjects import SubjectKind
from zones.gates import run_for
from zones.loads.proofs import proof_of
from zones.loads.run_profiles import PointOnRun, Three, profile_of
from zones.loads.trends import trends_of
from zones.models import Run, RunFacts
from zones.services.runs import run_add, run_alter, run_correct, run_end
from zones.sheets.wiring import RunIsolation, isolation_of_run

from .closets import BlockSerializer
from .dated import NO_CASE, AsOfQuery, DatedFilterSet, DatedMixin, DatedSerializer, day_asked
from .endpoints import EndpointSerializer, OutputSerializer
from .loads import SubjectLoadMixin
from .power import AmplifierSerializer, SupplySerializer
from .proofs import ProofOfRunSerializer
from .sites import SiteSerializer
from .trends import TrendsOfRunSerializer
from .zones import ZoneSerializer


class RunSerializer(DatedSerializer):
    expansions = {
        "site": SiteSerializer,
        "zone": ZoneSerializer,
        "block": BlockSerializer,
        "output": OutputSerializer,
        "endpoint": EndpointSerializer,
        "supply": SupplySerializer,
        "amplifier": AmplifierSerializer,
    }
    beyond = {"endpoint": "output__endpoint"}

    class Meta:
        model = Run
        facts = RunFacts


class RunFilterSet(DatedFilterSet):
    block_id = fields.Id()
    closet_id = fields.Id(source="block__closet_id", help_text="Runs that leave a block in this closet.")
    name = fields.Text(source="name__iexact", help_text=NO_CASE)
    kind = fields.Choice(choices=Run.Kind.choices)
    zone_id = fields.Id()
    output_id = fields.Id()
    endpoint_id = fields.Id(source="output__endpoint_id", help_text="Runs on some output of this device.")
    supply_id = fields.Id(help_text="Runs that this supply feeds at their block.")
    amplifier_id = fields.Id()

    across = {"name": ("name",), "site": (), "id": ("name", "kind")}


class PointOnRunSerializer(AnswerSerializer):
    class Meta:
        dataclass = PointOnRun


class ThreeSerializer(AnswerSerializer):
    class Meta:
        dataclass = Three


class RunProfileSerializer(WithLimitSerializer):
    """A run from its block to its last point: how far along the cable, what each draws, and the voltage that
    is left for it, in each estimate of load."""

    run_id = fields.Id()
    site_id = fields.Id()
    as_of = fields.Day()
    kind = fields.Choice(choices=Run.Kind.choices)
    length_unit = fields.Choice(
        choices=Site.LengthUnit.choices, help_text="The unit of the site; the lengths here are in metres."
    )
    has_voltages = fields.Flag(help_text="Whether any point has a voltage in any estimate.")
    voltage_v = ThreeSerializer(help_text="At the block, where a supply feeds the run there.")
    no_voltage = serializers.ListField(
        child=fields.Text(), help_text="Why points have no voltage, in sentences, each once."
    )
    assumptions = serializers.ListField(child=fields.Text(), help_text="How it is computed, in sentences.")
    points = PointOnRunSerializer(many=True, help_text="Parents before children.")


class RunIsolationSerializer(WithLimitSerializer, AnswerSerializer):
    class Meta:
        dataclass = RunIsolation


class RunViewSet(BulkMixin, SubjectLoadMixin, DatedMixin, RecordViewSet):
    """Runs: one field cable from a block to a chain of devices, with the zone that hears it and what feeds
    it."""

    kind = SubjectKind.RUN
    gate = run_for
    serializer_class = RunSerializer
    filterset_class = RunFilterSet
    bodies = {
        "create": Writing(run_add, within=("block",)),
        "partial_update": Writing(run_alter, subject="run", partial=True),
        "destroy": Writing(run_end, subject="run"),
        "correct": Writing(run_correct, subject="run", partial=True),
    }

    @action(
        detail=True,
        action_spec=Spec(Ability.READ_RECORD, query=AsOfQuery, answer=RunProfileSerializer),
    )
    def profile(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """The points of this run on a day in order, each with its distance from the block, what it draws, and
        the voltage there beside the lowest at which its model works."""
        run: Run = self.get_standing_object()
        found = profile_of(run, day_asked(self.asked, run.site))
        said = RunProfileSerializer({**vars(found), "run_id": run.pk, "site_id": run.site_id, "left_out": ()})
        return Response(within_limit(said.data))

    @action(
        detail=True,
        action_spec=Spec(Ability.READ_RECORD, query=AsOfQuery, answer=ProofOfRunSerializer),
    )
    def proof(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """Whether continuity, shorts, polarity and tone trace of this run have passed since its wiring last
        changed, as they do before its endpoint goes into service; and after which change one must be
        repeated."""
        run: Run = self.get_standing_object()
        found = vars(proof_of(run, day_asked(self.asked, run.site)))
        return Response(within_limit(shown_by(ProofOfRunSerializer, {**found, "left_out": ()})))

    @action(
        detail=True,
        action_spec=Spec(Ability.READ_RECORD, query=AsOfQuery, answer=TrendsOfRunSerializer),
    )
    def trends(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """What was read of this run over the years, by kind, point and state: each reading beside what was
        expected on its day, and by how much a year the one moves against the other."""
        run: Run = self.get_standing_object()
        found = vars(trends_of(run, day_asked(self.asked, run.site)))
        shown = shown_by(TrendsOfRunSerializer, {**found, "left_out": ()})
        return Response(within_limit(shown, latest=("readings",)))

    @action(
        detail=True,
        action_spec=Spec(Ability.READ_RECORD, query=AsOfQuery, answer=RunIsolationSerializer),
    )
    def isolation(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """How to disconnect this run from all that feeds it, for somebody at its block: which clips to
        pull, what stays connected, what falls silent and whom to tell."""
        run: Run = self.get_standing_object()
        before = first_step_after(day_asked(self.asked, run.site))
        found = vars(isolation_of_run(run, before))
        return Response(within_limit(shown_by(RunIsolationSerializer, {**found, "left_out": ()})))
