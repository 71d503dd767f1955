"""Cases: the findings that one change caused on one site, so that a ticketing system opens one ticket."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.core.exceptions import ValidationError
from django.db.models import Prefetch, QuerySet, prefetch_related_objects
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.serializers import ResourceSerializer, StrictSerializer, longest
from api.conventions.sizes import MOST_LISTED
from api.conventions.viewsets import ReadOnlyViewSet, Versions, stale
from sites.access.abilities import Ability
from sites.access.scope import scoped
from zones.findings.services import StaleVersionError, case_set_ticket_reference
from zones.gates import case_for
from zones.models import Case, Finding

from .dated import SiteFilterSet
from .findings import FindingSerializer, annotate_findings, refusal
from .sites import SiteSerializer


class CaseSerializer(ResourceSerializer):
    """Open findings of one cause on one site. It clears with the last of them, and opens again, with its
    ticket, with the next finding of the same cause."""

    customer_id = fields.Id(source="site.customer_id", read_only=True)
    change_set_id = fields.Id(
        read_only=True, allow_null=True, help_text="The change that caused it; null: as found, or time alone."
    )
    findings = FindingSerializer(
        source="open_findings",
        many=True,
        read_only=True,
        help_text=f"Those that are open, the worst {MOST_LISTED} first: `/findings?case_id=` has all.",
    )

    expansions = {"site": SiteSerializer}

    class Meta:
        model = Case
        extra_kwargs = {"key": {"help_text": "The same for the same cause, whenever it is computed."}}


class CaseFilterSet(SiteFilterSet):
    key = fields.Text()
    change_set_id = fields.Id()
    ticket_reference = fields.Text()
    has_ticket = fields.Flag(help_text="Whether a ticket is known.")
    cleared = fields.Choice(
        choices=["no", "yes", "any"], default="no", help_text="Open ones, cleared ones, or both."
    )

    opened_from = fields.Instant(source="opened_at__gte", help_text="Opened at this moment or later.")
    opened_until = fields.Instant(source="opened_at__lte", help_text="Opened at this moment or earlier.")

    leading = frozenset({"key", "ticket_reference"})
    across = {"opened_at": ("opened_from", "opened_until", "cleared", "has_ticket"), "id": ()}

    def is_sparse(self, name: str) -> bool:
        return name != "cleared" or self.validated_data[name] == "yes"

    def filter_has_ticket(self, rows: QuerySet[Any], value: bool) -> QuerySet[Any]:
        return rows.exclude(ticket_reference="") if value else rows.filter(ticket_reference="")

    def filter_cleared(self, rows: QuerySet[Any], value: str) -> QuerySet[Any]:
        return rows if value == "any" else rows.filter(cleared_at__isnull=value == "no")


class TicketSerializer(StrictSerializer):
    ticket_reference = fields.Text(
        allow_blank=True,
        max_length=longest(Case, "ticket_reference"),
        help_text="The ticketing system's number; blank removes it.",
    )


class CaseViewSet(ReadOnlyViewSet):
    """Cases: the findings that one change caused on one site, with the ticket that was opened for them."""

    gate = case_for
    serializer_class = CaseSerializer
    filterset_class = CaseFilterSet
    ordering_fields = {"opened_at": "opened_at", "id": "id"}
    ordering = "-opened_at"
    write_ability = Ability.WRITE_FINDINGS
    bodies = {"partial_update": TicketSerializer}

    def get_queryset(self) -> QuerySet[Any]:
        return super().get_queryset().select_related("site")

    def versions(self, row: Case) -> Versions:
        # The change set of a case is what caused it, not what last wrote it
        return {f"case/{row.pk}": row.version}

    def annotate(self, rows: Sequence[Any]) -> None:
        open_ones = scoped(Finding, self.principal.scope).filter(cleared_at__isnull=True)
        prefetch_related_objects(rows, Prefetch("findings", queryset=open_ones, to_attr="open_findings"))
        for case in rows:
            for finding in case.open_findings:
                finding.site, finding.case = case.site, case
        found = [finding for case in rows for finding in case.open_findings]
        annotate_findings(found)
        for case in rows:
            case.open_findings = sorted(case.open_findings, key=_worst_first)[:MOST_LISTED]

    def partial_update(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """Store the number of the case's ticket."""
        case = self.matched_object()
        reference = self.validated_body().get("ticket_reference", case.ticket_reference)
        try:
            case_set_ticket_reference(
                case=case,
                user=self.principal.user,
                ticket_reference=reference,
                expected_version=case.version,
            )
        except StaleVersionError:
            raise stale(self.versions(self.get_object())) from None
        except ValidationError as error:
            raise refusal(error) from error
        return self.respond(self.get_object())


def _worst_first(finding: Any) -> tuple[int, int, int]:
    return -finding.words.limit.severity, -finding.verdict, finding.pk
