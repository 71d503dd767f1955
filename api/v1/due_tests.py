"""Tests that are due: by when each run is to be proven again. Those of today are stored; those of another day
are computed, as any answer for a past day is."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any, Final

from django.db.models import QuerySet, prefetch_related_objects

from api.conventions import fields
from api.conventions.problems import invalid
from api.conventions.serializers import ResourceSerializer
from api.conventions.viewsets import ReadOnlyViewSet, Versions
from sites.access.scope import scoped
from sites.changes.errors import Problem
from sites.models import Site
from sites.selectors import site_of
from zones.gates import due_test_for
from zones.loads.due_tests import due_tests_on
from zones.models import DueTest, Run

from .customers import ContractSerializer
from .dated import SiteFilterSet, day_asked
from .runs import RunSerializer
from .sites import SiteSerializer

MOST_SITES: Final = 100
"""Computed for one answer."""


class DueTestSerializer(ResourceSerializer):
    """The next complete proof of a run: continuity, shorts, polarity and tone trace."""

    id = fields.Id(
        source="shown_id",
        read_only=True,
        allow_null=True,
        help_text="null: of another day, which is not stored.",
    )
    closet_id = fields.Id(source="run.block.closet_id", read_only=True, help_text="Where the run begins.")
    overdue = fields.Flag(
        read_only=True, help_text="Whether that day is over at the site, today or on the day asked for."
    )

    expansions = {"site": SiteSerializer, "run": RunSerializer, "contract": ContractSerializer}

    class Meta:
        model = DueTest
        exclude = ("changed_at",)


class DueTestFilterSet(SiteFilterSet):
    as_of = fields.Day(
        help_text="As of the end of this day, from the record as it is known now: computed, for at most "
        f"{MOST_SITES} sites. Left out: today, as the last recheck left it."
    )
    contract_id = fields.Id(help_text="Under this contract, which covers the site on the day.")
    run_id = fields.Id()
    due_from = fields.Day(source="due_on__gte", help_text="Due on this day or later.")
    due_until = fields.Day(
        source="due_on__lte", help_text="Due on this day or earlier: of a month, its last day."
    )

    across = {"due_on": ("due_from", "due_until"), "id": ()}

    def filter_computed(self, rows: Sequence[DueTest]) -> list[DueTest]:
        """Computed rows, as the filters ask for them; their sites are those asked for."""
        asked = self.validated_data
        return [
            row
            for row in rows
            if row.run_id == asked.get("run_id", row.run_id)
            and asked.get("due_from", row.due_on) <= row.due_on <= asked.get("due_until", row.due_on)
        ]


class DueTestViewSet(ReadOnlyViewSet):
    """Each run's next test, of the sites that a contract with a test interval covers today. The interval
    counts from the last complete proof of the run; from the survey of a site that was taken over; where there
    is neither, from the run's first day; and never from before proofs were kept. A row is as its site's last
    recheck left it, and goes when no test is due any more. With `as_of` it is what was due on that day."""

    gate = due_test_for
    serializer_class = DueTestSerializer
    filterset_class = DueTestFilterSet
    ordering_fields = {"due_on": "due_on", "site": "site__name", "id": "id"}
    ordering = "due_on"

    def get_queryset(self) -> QuerySet[DueTest]:
        # Joined, the sites of a customer are found by reading through all sites
        return super().get_queryset().select_related("run__block").prefetch_related("site")

    def filter_queryset(self, queryset: QuerySet[Any]) -> Any:
        day: date | None = self.asked.get("as_of")
        if day is None:
            return super().filter_queryset(queryset)
        assert isinstance(self.query, DueTestFilterSet)
        return self.query.filter_computed(due_tests_on(self._sites_on(day), day))

    def _sites_on(self, day: date) -> list[Site]:
        """The sites asked for that a contract with a test interval covered on a day."""
        rows = scoped(Site, self.principal.scope)
        covered: dict[str, Any] = {
            "coverages__days__contains": day, "coverages__contract__test_interval_months__isnull": False,
        }  # fmt: skip
        if "contract_id" in self.asked:
            covered["coverages__contract_id"] = self.asked["contract_id"]
        if "customer_id" in self.asked:
            rows = rows.filter(customer_id=self.asked["customer_id"])
        if "site_id" in self.asked:
            rows = rows.filter(pk=self.asked["site_id"])
        if "run_id" in self.asked:
            rows = rows.filter(pk=site_of(Run, self.asked["run_id"]))
        sites = list(rows.filter(**covered).order_by("pk")[: MOST_SITES + 1])
        if len(sites) > MOST_SITES:
            detail = (
                f"What was due on another day is computed, for at most {MOST_SITES} sites at once; these are "
                "more. Give site_id, or contract_id of a contract that covered fewer sites that day."
            )
            raise invalid([Problem(detail, "too_many", "as_of")], in_query=True)
        return sites

    def annotate(self, rows: Sequence[DueTest]) -> None:
        row: Any
        is_stored = "as_of" not in self.asked
        if not is_stored:
            prefetch_related_objects(rows, "run__block", *self.asked.get("expand", ()))
        for row in rows:
            row.shown_id = row.pk if is_stored else None
            row.overdue = row.due_on < day_asked(self.asked, row.site)

    def versions(self, row: DueTest) -> Versions:
        # The row has no version: a recheck replaces what it says
        proven = 0 if row.proven_on is None else row.proven_on.toordinal()
        return {"contract": row.contract_id, "due": row.due_on.toordinal(), "proven": proven}
