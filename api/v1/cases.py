"""Cases: the findings that one change caused on one site, so that a ticketing system opens one ticket."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from enum import IntEnum
from typing import Any, cast

from django.core.exceptions import ValidationError
from django.db.models import Prefetch, QuerySet, prefetch_related_objects
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.filters import LARGEST_COUNT, Names, filter_names
from api.conventions.serializers import ResourceSerializer, StrictSerializer, longest
from api.conventions.showing import PlainSerializer
from api.conventions.sizes import cut, left_out_field
from api.conventions.views import Spec
from api.conventions.viewsets import ReadOnlyViewSet, Versions, stale
from sites.access.abilities import Ability
from sites.access.scope import scoped
from sites.fields import word_of
from sites.models import Contact, Contract
from zones.electrical.verdicts import Verdict
from zones.findings.cases import CasesInWords
from zones.findings.open_counts import summary
from zones.findings.selectors import gravities, of_contract, of_the_last_opening, severity_of
from zones.findings.services import StaleVersionError, case_set_ticket_reference
from zones.findings.wording import TITLE_LENGTH
from zones.gates import case_for
from zones.limits.limit import Severity
from zones.models import Case, Finding, Zone

from . import figures
from .dated import SiteFilterSet
from .findings import FindingSerializer, ZoneSummarySerializer, annotate_findings, refusal
from .sites import SiteSerializer


class CaseContractSerializer(PlainSerializer):
    """The contract that covers the site: today, or on the day on which the case cleared."""

    id = fields.Id()
    reference = fields.Text(max_length=longest(Contract, "reference"))
    response_hours = fields.Whole(allow_null=True)
    cover_hours = fields.Choice(choices=Contract.CoverHours.choices, allow_null=True)


class CaseClosetSerializer(PlainSerializer):
    """A closet to go to, and how to get in. The closet sheet says more."""

    id = fields.Id()
    name = fields.Text()
    building = fields.Text(allow_blank=True)
    floor = fields.Text(allow_blank=True)
    room = fields.Text(allow_blank=True)
    directions = fields.Text(allow_blank=True)
    opened_by = fields.Text(allow_blank=True)
    opening_hours = fields.Text(allow_blank=True)
    escort = fields.Text(allow_blank=True)
    induction = fields.Text(allow_blank=True)
    permits = fields.Text(allow_blank=True)
    protective_equipment = fields.Text(allow_blank=True)
    other_tenants = fields.Text(allow_blank=True)
    dangers = fields.Text(allow_blank=True)
    ladder_m = fields.Number(allow_null=True)
    key = fields.Text(help_text="Whom to ask: no case says where a key is.")


class CaseContactSerializer(PlainSerializer):
    """Whom to call: of the site, or of one of the closets."""

    role = fields.Choice(choices=Contact.Role.choices)
    name = fields.Text()
    phone = fields.Text(allow_blank=True)
    email = fields.Text(allow_blank=True)
    hours = fields.Text(allow_blank=True)
    closet = fields.Id(allow_null=True, help_text="Null: of the whole site.")


class CaseClearedBySerializer(PlainSerializer):
    id = fields.Id()
    happened_on = fields.Day()
    actor = fields.Text()
    done_by = fields.Text(allow_blank=True)
    job_reference = fields.Text(allow_blank=True)
    reason = fields.Text(allow_blank=True)


class CaseSerializer(ResourceSerializer):
    """Open findings of one cause on one site. It clears with the last of them, and opens again, with its
    ticket, with the next finding of the same cause."""

    customer_id = fields.Id(source="site.customer_id", read_only=True)
    change_set_id = fields.Id(
        read_only=True, allow_null=True, help_text="The change that caused it; null: as found, or time alone."
    )
    title = fields.Text(
        source="words.title",
        read_only=True,
        max_length=TITLE_LENGTH,
        help_text="Site, subject, figure and limit of its worst finding.",
    )
    severity = fields.Word(Severity, source="words.severity", read_only=True)
    severity_words = fields.Text(source="words.severity.words", read_only=True)
    verdict = fields.Word(
        Verdict, source="words.verdict", read_only=True, allow_null=True, help_text="The worst that is open."
    )
    contract = CaseContractSerializer(
        source="words.response.contract",
        read_only=True,
        allow_null=True,
        help_text="Null: none covers the site then.",
    )
    respond_by = fields.Instant(
        source="words.response.respond_by",
        read_only=True,
        allow_null=True,
        help_text="When the response hours of the contract end, by its calendar in the time zone of "
        "the site; null: no response is owed by a time.",
    )
    response = fields.Text(source="words.response.sentence", read_only=True, help_text="That in a sentence.")
    life_safety = fields.Choice(
        choices=Zone.LifeSafety.choices,
        source="words.concerned.life_safety",
        read_only=True,
        help_text="The most severe answer of the zones concerned; `unknown`: not recorded.",
    )
    zones = ZoneSummarySerializer(
        source="shown_zones", many=True, read_only=True, help_text="The zones it bears on today."
    )
    closets = CaseClosetSerializer(source="shown_closets", many=True, read_only=True)
    contacts = CaseContactSerializer(source="shown_contacts", many=True, read_only=True)
    cautions = figures.CautionSerializer(source="shown_cautions", many=True, read_only=True)
    reopened_at = fields.Instant(
        source="words.reopened_at", read_only=True, allow_null=True, help_text="Null: it opened once."
    )
    cleared_by = CaseClearedBySerializer(
        source="shown_cleared_by",
        many=True,
        read_only=True,
        help_text="The change sets that cleared it; none: it is open, was recomputed, or time cleared it.",
    )
    closing_text = fields.Text(
        source="words.closing_text",
        read_only=True,
        allow_blank=True,
        help_text="What a ticket closes with: figures before and after, and what cleared it. Blank: open.",
    )
    findings = FindingSerializer(
        source="shown_findings",
        many=True,
        read_only=True,
        help_text="Those that are open, the worst first: `/findings?case_id=` has all.",
    )
    left_out = left_out_field()

    expansions = {"site": SiteSerializer}

    class Meta:
        model = Case
        exclude = ("gravity",)
        extra_kwargs = {"key": {"help_text": "The same for the same cause, whenever it is computed."}}


class CaseFilterSet(SiteFilterSet):
    key = fields.Text()
    change_set_id = fields.Id()
    ticket_reference = fields.Text()
    has_ticket = fields.Flag(help_text="Whether a ticket is known.")
    cleared = fields.Choice(
        choices=["no", "yes", "any"], default="no", help_text="Open ones, cleared ones, or both."
    )

    withheld = fields.Choice(
        choices=["no", "yes", "any"],
        default="no",
        help_text="Cases that opened; those withheld, since nothing in them is past for certain and the "
        "contract (without one: the customer) opens no case for probably past; or both.",
    )
    contract_id = fields.Id(help_text="Of sites that this contract covers today; cleared ones: covered then.")
    severity = Names(
        [word_of(one) for one in Severity], help_text="These severities, with commas between them."
    )
    verdict = fields.Word(Verdict, help_text="With an open finding of this verdict or a worse one.")
    opened_from = fields.Instant(source="opened_at__gte", help_text="Opened, or opened again, then or later.")
    opened_until = fields.Instant(source="opened_at__lte", help_text="Opened then or earlier.")
    cleared_from = fields.Instant(
        source="cleared_at__gte", help_text="Cleared then or later; with `cleared`."
    )
    cleared_until = fields.Instant(
        source="cleared_at__lte", help_text="Cleared then or earlier; with `cleared`."
    )
    changed_since = fields.Instant(
        source="changed_at__gte",
        help_text="Whose findings, ticket or acknowledgement changed then or later; with `cleared=any`, all "
        "that a ticketing system has to look at again.",
    )

    leading = frozenset({"key", "ticket_reference"})
    across = {
        "opened_at": ("opened_from", "opened_until", "cleared", "has_ticket"),
        "severity": ("severity", "verdict"),
        "changed_at": ("cleared", "changed_since"),
        "id": (),
    }

    def is_sparse(self, name: str) -> bool:
        return name not in ("cleared", "withheld") or self.validated_data[name] == "yes"

    def filter_contract_id(self, rows: QuerySet[Any], value: int) -> QuerySet[Any]:
        return rows.filter(of_contract(value))

    def filter_severity(self, rows: QuerySet[Any], value: Sequence[str]) -> QuerySet[Any]:
        return rows.filter(gravity__in=gravities(severities=value))

    def filter_verdict(self, rows: QuerySet[Any], value: Verdict) -> QuerySet[Any]:
        return rows.filter(gravity__in=gravities(verdict=value))

    def filter_has_ticket(self, rows: QuerySet[Any], value: bool) -> QuerySet[Any]:
        return rows.exclude(ticket_reference="") if value else rows.filter(ticket_reference="")

    def filter_cleared(self, rows: QuerySet[Any], value: str) -> QuerySet[Any]:
        return rows if value == "any" else rows.filter(cleared_at__isnull=value == "no")

    def filter_withheld(self, rows: QuerySet[Any], value: str) -> QuerySet[Any]:
        return rows if value == "any" else rows.filter(withheld=value == "yes")


class TicketSerializer(StrictSerializer):
    ticket_reference = fields.Text(
        allow_blank=True,
        max_length=longest(Case, "ticket_reference"),
        help_text="The ticketing system's number; blank removes it.",
    )


class CaseCountsQuery(CaseFilterSet):
    order = fields.Choice(choices=["severity", "-severity"], help_text="Counts have no order of their own.")

    # Counted in the order of an index, of which a count needs no more than the rows it counts
    across = {**CaseFilterSet.across, "cleared_at": ("cleared", "cleared_from", "cleared_until")}


def _each(enumeration: type[IntEnum]) -> type[serializers.Serializer]:
    """A count for each word."""
    numbers = {
        word_of(one): fields.Whole(min_value=0, max_value=LARGEST_COUNT) for one in reversed(enumeration)
    }
    return type(f"CasesBy{enumeration.__name__}", (serializers.Serializer,), numbers)


class CaseCountsSerializer(PlainSerializer):
    count = fields.Whole(min_value=0, max_value=LARGEST_COUNT)
    count_is_capped = fields.Flag(
        help_text=f"There are more than {LARGEST_COUNT}. So many are counted: the most severe, or the latest "
        "of those chosen by a time."
    )
    by_severity = _each(Severity)()
    by_verdict = _each(Verdict)(help_text="By the worst that is open.")
    summary = fields.Text(help_text="How many are past, cannot tell, near or cleared, in a sentence.")


class CaseViewSet(ReadOnlyViewSet):
    """Cases: the findings that one change caused on one site, with the ticket that was opened for them."""

    gate = case_for
    serializer_class = CaseSerializer
    filterset_class = CaseFilterSet
    ordering_fields = {
        "opened_at": "opened_at",
        "severity": "gravity",
        "cleared_at": "cleared_at",
        "changed_at": "changed_at",
        "id": "id",
    }
    ordering = "-opened_at"
    write_ability = Ability.WRITE_FINDINGS
    bodies = {"partial_update": TicketSerializer}

    def get_queryset(self) -> QuerySet[Any]:
        return super().get_queryset().select_related("site")

    def versions(self, row: Case) -> Versions:
        # The change set of a case is what caused it, not what last wrote it
        return {f"case/{row.pk}": row.version}

    def annotate(self, rows: Sequence[Any]) -> None:
        annotate_cases(rows, scoped(Finding, self.principal.scope))

    @action(
        detail=False,
        methods=["get"],
        action_spec=Spec(Ability.READ_RECORD, query=CaseCountsQuery, answer=CaseCountsSerializer),
    )
    def counts(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """How many cases there are by severity and by verdict, of those that the filters leave; without any,
        of those that are open."""
        names = filter_names(CaseFilterSet)
        query = cast("CaseCountsQuery", self.query)
        order = query.sort(names, "-severity", self.principal.scope).removeprefix("-")
        rows = query.filter_queryset(scoped(Case, self.principal.scope), names)
        rows = rows.order_by(f"-{self.ordering_fields[order]}", "-id")
        found = list(rows.values_list("gravity", "cleared_at")[: LARGEST_COUNT + 1])
        return Response(_counts(found[:LARGEST_COUNT], is_capped=len(found) > LARGEST_COUNT))

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


def annotate_cases(rows: Sequence[Any], findings: QuerySet[Any]) -> None:
    """Annotate cases, read with their sites, with what `CaseSerializer` shows beyond their columns. findings:
    those in scope."""
    shown = findings.filter(of_the_last_opening())
    prefetch_related_objects(rows, Prefetch("findings", queryset=shown, to_attr="shown"))
    found = []
    for case in rows:
        for finding in case.shown:
            finding.site, finding.case = case.site, case
            found.append(finding)
    annotated = annotate_findings(found)
    cases = CasesInWords({case.site_id for case in rows}, annotated)
    for case in rows:
        case.words = cases.of(case, case.shown)
        case.shown_cautions = figures.cautions(case.words.concerned.cautions)
        still_open = [finding for finding in case.shown if finding.cleared_at is None]
        concerned = case.words.concerned
        cut(
            case,
            {
                "zones": concerned.zones,
                "closets": concerned.closets,
                "contacts": concerned.contacts,
                "cleared_by": case.words.cleared_by,
                "findings": sorted(still_open, key=_worst_first),
            },
            prefix="shown_",
        )


def _counts(found: Sequence[tuple[int, Any]], *, is_capped: bool) -> dict[str, Any]:
    severities = Counter(word_of(severity_of(gravity)) for gravity, _ in found)
    open_ones = Counter(Verdict(gravity % 10) for gravity, cleared in found if cleared is None)
    verdicts = {word_of(one): count for one, count in open_ones.items()}
    return {
        "count": len(found),
        "count_is_capped": is_capped,
        "by_severity": {word: severities[word] for word in map(word_of, reversed(Severity))},
        "by_verdict": {word: verdicts.get(word, 0) for word in map(word_of, reversed(Verdict))},
        "summary": summary(open_ones, len(found) - open_ones.total(), noun="case"),
    }


def _worst_first(finding: Any) -> tuple[int, int, int]:
    return -finding.words.limit.severity, -finding.verdict, finding.pk
