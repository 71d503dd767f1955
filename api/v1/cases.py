"""Cases: the findings that one change caused on one site, so that a ticketing system opens one ticket."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, ClassVar

from django.core.exceptions import ValidationError
from django.db.models import Prefetch, QuerySet, prefetch_related_objects
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import etags, fields
from api.conventions.cursors import Order
from api.conventions.listing import Lookup
from api.conventions.representations import Expansion, Representation
from api.conventions.serializers import Body
from api.conventions.views import Listed, Shown
from sites.access.abilities import Ability
from sites.access.scope import scoped
from zones.findings.services import StaleVersionError, case_set_ticket_reference
from zones.gates import case_for
from zones.models import Case, Finding

from .findings import FindingShown, put_in_words, refusal
from .placed import SiteFilters
from .sites import SiteShown


class CaseShown(Representation):
    """Open findings of one cause on one site. It clears with the last of them, and opens again, with its
    ticket, where the same cause brings one about again."""

    customer_id = fields.Id(source="site.customer_id", read_only=True)
    findings = FindingShown(
        source="open_findings", many=True, read_only=True, help_text="Those that are open, the gravest first."
    )

    expansions: ClassVar = {"site": Expansion(SiteShown)}

    class Meta:
        model = Case
        fields = (
            "id",
            "site_id",
            "customer_id",
            "key",
            "change_set_id",
            "findings",
            "ticket_reference",
            "ticket_by",
            "quiet",
            "opened_at",
            "cleared_at",
            "told_at",
        )
        extra_kwargs = {
            "key": {"help_text": "The same for the same cause, whenever it is computed."},
            "change_set_id": {"help_text": "The change that caused it; null: as found, or time alone."},
        }


def _cleared(rows: QuerySet[Any], which: str) -> QuerySet[Any]:
    return rows if which == "any" else rows.filter(cleared_at__isnull=which == "no")


def _has_ticket(rows: QuerySet[Any], wanted: bool) -> QuerySet[Any]:
    return rows.exclude(ticket_reference="") if wanted else rows.filter(ticket_reference="")


class CaseFilters(SiteFilters):
    key = fields.Text(required=False)
    change_set_id = fields.Id(required=False)
    ticket_reference = fields.Text(required=False)
    has_ticket = fields.Flag(required=False, help_text="Whether a ticket is known.")
    cleared = fields.Choice(
        choices=["no", "yes", "any"], default="no", help_text="Open ones, cleared ones, or both."
    )

    lookups: ClassVar[dict[str, Lookup]] = {
        **SiteFilters.lookups,
        "key": "key",
        "change_set_id": "change_set_id",
        "ticket_reference": "ticket_reference",
        "has_ticket": _has_ticket,
        "cleared": _cleared,
    }


class TicketBody(Body):
    ticket_reference = fields.Text(
        allow_blank=True, max_length=120, help_text="What the ticketing system calls it; blank takes it away."
    )


class Cases(Listed, Shown):
    """Cases: the findings that one change caused on one site, with the ticket that was opened for them."""

    gate = case_for
    representation = CaseShown
    filters = CaseFilters
    orders = {"opened_at": Order("opened_at"), "id": Order("id")}
    usual_order = "-opened_at"
    abilities = {
        "list": Ability.READ_INVENTORY,
        "retrieve": Ability.READ_INVENTORY,
        "partial_update": Ability.WRITE_FINDINGS,
    }
    bodies = {"partial_update": TicketBody}

    def rows(self) -> QuerySet[Any]:
        return super().rows().select_related("site")

    def versions(self, row: Case) -> etags.Versions:
        # The change set of a case is what caused it, not what last wrote it
        return {f"case/{row.pk}": row.version}

    def furnish(self, rows: Sequence[Any]) -> None:
        open_ones = scoped(Finding, self.principal.scope).filter(cleared_at__isnull=True)
        prefetch_related_objects(rows, Prefetch("findings", queryset=open_ones, to_attr="open_findings"))
        for case in rows:
            for finding in case.open_findings:
                finding.site, finding.case = case.site, case
        found = [finding for case in rows for finding in case.open_findings]
        put_in_words(found)
        for case in rows:
            case.open_findings.sort(key=_gravest_first)

    def partial_update(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """Keep under which number the ticketing system has the case."""
        case = self.named_row()
        reference = self.body().get("ticket_reference", case.ticket_reference)
        try:
            case_set_ticket_reference(
                case=case,
                user=self.principal.user,
                ticket_reference=reference,
                expected_version=case.version,
            )
        except StaleVersionError:
            raise etags.stale(self.versions(self.row())) from None
        except ValidationError as error:
            raise refusal(error) from error
        return self.shown(self.row())


def _gravest_first(finding: Any) -> tuple[int, int, int]:
    return -finding.words.limit.severity, -finding.verdict, finding.pk
