"""Tests that are due: by when each run is to be proven again."""

from __future__ import annotations

from collections.abc import Sequence

from django.db.models import QuerySet

from api.conventions import fields
from api.conventions.serializers import ResourceSerializer
from api.conventions.viewsets import ReadOnlyViewSet, Versions
from sites.changes.making import today_in
from zones.gates import due_test_for
from zones.models import DueTest

from .customers import ContractSerializer
from .dated import SiteFilterSet
from .runs import RunSerializer
from .sites import SiteSerializer


class DueTestSerializer(ResourceSerializer):
    """The next complete proof of a run: continuity, shorts, polarity and tone trace."""

    closet_id = fields.Id(source="run.block.closet_id", read_only=True, help_text="Where the run begins.")
    overdue = fields.Flag(read_only=True, help_text="Whether that day is over at the site.")

    expansions = {"site": SiteSerializer, "run": RunSerializer, "contract": ContractSerializer}

    class Meta:
        model = DueTest
        exclude = ("changed_at",)


class DueTestFilterSet(SiteFilterSet):
    contract_id = fields.Id(help_text="Under this contract, which covers the site today.")
    run_id = fields.Id()
    due_from = fields.Day(source="due_on__gte", help_text="Due on this day or later.")
    due_until = fields.Day(
        source="due_on__lte", help_text="Due on this day or earlier: of a month, its last day."
    )

    across = {"due_on": ("due_from", "due_until"), "id": ()}


class DueTestViewSet(ReadOnlyViewSet):
    """Each run's next test, of the sites that a contract with a test interval covers today. The interval
    counts from the last complete proof of the run; from the survey of a site that was taken over; where there
    is neither, from the run's first day; and never from before proofs were kept. A row is as its site's last
    recheck left it, and goes when no test is due any more."""

    gate = due_test_for
    serializer_class = DueTestSerializer
    filterset_class = DueTestFilterSet
    ordering_fields = {"due_on": "due_on", "site": "site__name", "id": "id"}
    ordering = "due_on"

    def get_queryset(self) -> QuerySet[DueTest]:
        # Joined, the sites of a customer are found by reading through all sites
        return super().get_queryset().select_related("run__block").prefetch_related("site")

    def annotate(self, rows: Sequence[DueTest]) -> None:
        for row in rows:
            row.overdue = row.due_on < today_in(row.site.time_zone)  # type: ignore[attr-defined]

    def versions(self, row: DueTest) -> Versions:
        # The row has no version: a recheck replaces what it says
        proven = 0 if row.proven_on is None else row.proven_on.toordinal()
        return {"contract": row.contract_id, "due": row.due_on.toordinal(), "proven": proven}
