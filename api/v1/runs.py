"""Runs: one field cable from a block to a chain of devices, and what feeds it."""

from __future__ import annotations

from api.conventions import fields
from api.conventions.viewsets import RecordViewSet
from api.conventions.writing import Writing
from zones.electrical.subjects import SubjectKind
from zones.gates import run_for
from zones.models import Run, RunFacts
from zones.services.runs import run_add, run_alter, run_correct, run_end

from .dated import NO_CASE, DatedFilterSet, DatedMixin, DatedSerializer
from .loads import SubjectLoadMixin
from .sites import SiteSerializer
from .zones import ZoneSerializer


class RunSerializer(DatedSerializer):
    expansions = {"site": SiteSerializer, "zone": ZoneSerializer}

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
    supply_id = fields.Id(help_text="Runs that this supply feeds at their block.")
    amplifier_id = fields.Id()

    across = {"name": ("name",), "site": (), "id": ("name", "kind")}


class RunViewSet(SubjectLoadMixin, DatedMixin, RecordViewSet):
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
