"""Tests: what was measured or tried on a day."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.db.models import QuerySet
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.bulk import BulkMixin
from api.conventions.serializers import ResourceSerializer
from api.conventions.views import Spec
from api.conventions.viewsets import CreateMixin
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from zones.gates import test_for
from zones.loads.outcomes import Verdict, outcomes_of
from zones.models import Test
from zones.selectors import was_superseded
from zones.services.tests import record_test, supersede_test

from .dated import SiteFilterSet
from .effects import BesideEffect, EffectMixin
from .instruments import InstrumentSerializer
from .points import PointSerializer
from .runs import RunSerializer
from .sites import SiteSerializer
from .switches import SwitchSerializer
from .visits import VisitSerializer
from .zones import ZoneSerializer


class ExpectedSerializer(serializers.Serializer):
    """What a test should have read: the record as of its day, in its state and signal, without any test of
    its kind. In the unit of the test."""

    low = fields.Number(help_text="Least.")
    likely = fields.Number()
    high = fields.Number(help_text="Most.")


class TestSerializer(BesideEffect, ResourceSerializer):
    signal = fields.Choice(
        choices=Test.Signal.choices,
        source="signal_paged",
        read_only=True,
        allow_null=True,
        help_text="What was paged meanwhile. null: nothing.",
    )
    unit = fields.Text(read_only=True, allow_null=True, help_text="Of the value. null: it passes or fails.")
    calibration_lapsed = fields.Flag(
        read_only=True,
        allow_null=True,
        help_text="Whether the calibration of its instrument had lapsed on the day of the test. null: not "
        "recorded.",
    )
    verdict = fields.Choice(
        choices=Verdict.choices,
        source="outcome.verdict",
        read_only=True,
        allow_null=True,
        help_text="Of measured values: whether the value lies within what is expected, give or take the "
        "error of its instrument. null: another test took its place, or its site waits for its recheck.",
    )
    expected = ExpectedSerializer(
        source="outcome.expected",
        read_only=True,
        allow_null=True,
        help_text="null: nothing is, or it cannot be computed.",
    )
    error = fields.Number(
        source="outcome.error",
        read_only=True,
        allow_null=True,
        help_text="What the instrument may be off by, as it states or as is usual for the kind; in the unit.",
    )
    outside_by = fields.Number(
        source="outcome.outside_by",
        read_only=True,
        allow_null=True,
        help_text="How far the value lies outside low and high, give or take the error; 0: not at all.",
    )
    job_reference = fields.Text(
        source="change_set.job_reference", read_only=True, help_text="Of the change that recorded it."
    )
    superseded_by_id = fields.Id(
        source="outcome.superseded_by_id",
        read_only=True,
        allow_null=True,
        help_text="The test that took its place, where it was recorded wrongly.",
    )

    expansions = {
        "site": SiteSerializer,
        "run": RunSerializer,
        "point": PointSerializer,
        "zone": ZoneSerializer,
        "switch": SwitchSerializer,
        "visit": VisitSerializer,
        "instrument_record": InstrumentSerializer,
    }

    class Meta:
        model = Test


class TestFilterSet(SiteFilterSet):
    run_id = fields.Id(help_text="Tests of this run, those at its points included.")
    point_id = fields.Id()
    zone_id = fields.Id(help_text="Tests of the zone itself; those of its runs are found by run.")
    switch_id = fields.Id()
    visit_id = fields.Id()
    instrument_record_id = fields.Id(
        help_text="Taken with this recorded instrument. Those after its calibration lapsed have "
        "`calibration_lapsed`."
    )
    kind = fields.Choice(choices=Test.Kind.choices)
    state = fields.Choice(choices=Test.State.choices)
    signal = fields.Choice(choices=Test.Signal.choices, help_text="What was paged meanwhile.")
    taken_as = fields.Choice(choices=Test.TakenAs.choices)
    taken_from = fields.Day(source="taken_on__gte", help_text="Taken on this day or later.")
    taken_until = fields.Day(source="taken_on__lte", help_text="Taken on this day or earlier.")
    superseded = fields.Choice(
        choices=["no", "yes", "any"],
        default="no",
        help_text="Tests that count, superseded tests, or both.",
    )

    shared = SiteFilterSet.shared | {"instrument_record_id"}
    across = {"taken_on": ("taken_from", "taken_until", "kind", "instrument_record_id"), "id": ()}

    def is_sparse(self, name: str) -> bool:
        return name != "superseded" or self.validated_data[name] == "yes"

    def filter_signal(self, rows: QuerySet[Test], value: str) -> QuerySet[Test]:
        return rows.filter(signal=value, state=Test.State.PAGING)

    def filter_superseded(self, rows: QuerySet[Test], value: str) -> QuerySet[Test]:
        return rows if value == "any" else rows.filter(was_superseded(superseded=value == "yes"))


class TestViewSet(BulkMixin, EffectMixin, CreateMixin):
    """What was measured, and what passed or failed. A test is never deleted: one that was
    recorded wrongly stays, and another takes its place."""

    gate = test_for
    serializer_class = TestSerializer
    filterset_class = TestFilterSet
    ordering_fields = {"taken_on": "taken_on", "site": "site__name", "id": "id"}
    ordering = "-taken_on"
    write_ability = Ability.WRITE_TESTS
    bodies = {"create": Writing(record_test, within=("run", "point", "zone", "switch"))}

    def get_queryset(self) -> QuerySet[Test]:
        # An import may keep thousands of rows among the operations of its change set
        return super().get_queryset().select_related("change_set").defer("change_set__operations")

    def annotate(self, rows: Sequence[Test]) -> None:
        for test, outcome in zip(rows, outcomes_of(rows), strict=True):
            test.outcome = outcome  # type: ignore[attr-defined]

    @action(
        detail=True,
        methods=["post"],
        action_spec=Spec(body=Writing(supersede_test, subject="test", partial=True), status=201),
    )
    def supersede(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """Put another test in the place of one that was recorded wrongly. A test never changes, so this
        takes no version of it; a second one in the same place is refused."""
        return self.respond_reread(self.perform(self.get_object(), expects=False).result.pk)
