"""Findings: limits that are past, each with the change that pushed it there; acknowledged, deferred and
closed by people, opened and cleared by the record alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import QuerySet
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.filters import Names
from api.conventions.problems import CONFLICT, ProblemError, invalid
from api.conventions.serializers import ResourceSerializer, StrictSerializer, longest, whole_body_error
from api.conventions.showing import PlainSerializer
from api.conventions.sizes import cut, left_out_field
from api.conventions.viewsets import ReadOnlyViewSet, stale
from sites.access.abilities import Ability
from sites.access.gates import NotFound, closet_for
from sites.changes.errors import Problem
from zones.electrical.estimates import DETAILS
from zones.electrical.verdicts import Verdict
from zones.findings.annotate import Annotated
from zones.findings.selectors import of_contract, of_zone
from zones.findings.services import (
    StaleVersionError,
    finding_acknowledge,
    finding_defer,
    finding_reopen,
    finding_set_outcome,
)
from zones.gates import finding_for, zone_for
from zones.limits.limit import Severity
from zones.models import Finding, Zone
from zones.subjects import in_closet, path_of

from . import figures
from .attributions import AttributionSerializer
from .dated import SiteFilterSet
from .sites import SiteSerializer

OPEN: Final = [state.value for state in Finding.State if state is not Finding.State.CLEARED]


class FindingSubjectSerializer(figures.SubjectSerializer):
    path = fields.Text(help_text="Where it is in this API.")


class ZoneSummarySerializer(PlainSerializer):
    id = fields.Id()
    name = fields.Text()
    life_safety = fields.Choice(choices=Zone.LifeSafety.choices)


class FindingSerializer(figures.EstimatesSerializer, ResourceSerializer):
    """One limit past on one subject, from when it opened until it cleared."""

    site_code = fields.Text(source="site.code", read_only=True)
    site_name = fields.Text(source="site.name", read_only=True)
    customer_id = fields.Id(source="site.customer_id", read_only=True)
    case_key = fields.Text(source="case.key", read_only=True, help_text="The same for the same cause.")
    code = fields.Choice(choices=figures.CODES, read_only=True)
    title = fields.Text(
        source="words.title", read_only=True, help_text="Site, subject, figure and limit in 80 characters."
    )
    limit_title = fields.Text(source="words.limit.title", read_only=True, help_text="The name of the limit.")
    sentence = fields.Text(
        source="words.sentence", read_only=True, help_text="Figure and limit, in a sentence."
    )
    severity = fields.Word(Severity, source="words.limit.severity", read_only=True)
    severity_words = fields.Text(source="words.limit.severity.words", read_only=True)
    subject = FindingSubjectSerializer(source="shown_subject", read_only=True)
    place = fields.Text(
        source="words.place", read_only=True, allow_blank=True, help_text="Where to look, as people call it."
    )
    closet_id = fields.Id(
        source="words.closet_id", read_only=True, allow_null=True, help_text="Where to go; null: no closet."
    )
    zones = ZoneSummarySerializer(
        source="shown_zones", many=True, read_only=True, help_text="The zones that it bears on today."
    )
    verdict = fields.Word(Verdict, read_only=True, help_text=figures.VERDICT_HELP)
    quantity = fields.Text(source="words.limit.quantity", read_only=True)
    unit = fields.Text(source="words.limit.unit", read_only=True, allow_blank=True)
    low_place = fields.Text(
        source="words.places.low",
        read_only=True,
        allow_blank=True,
        help_text="What decides the low estimate.",
    )
    high_place = fields.Text(
        source="words.places.high",
        read_only=True,
        allow_blank=True,
        help_text="What decides the high estimate.",
    )
    limit_is = fields.Choice(choices=["at_most", "at_least"], source="shown_limit_is", read_only=True)
    reason = fields.Text(
        source="words.reason",
        read_only=True,
        allow_blank=True,
        help_text="Why it cannot be computed.",
    )
    attribution = AttributionSerializer(source="words.attribution", read_only=True)
    cautions = figures.CautionSerializer(source="shown_cautions", many=True, read_only=True)
    closing_text = fields.Text(
        read_only=True,
        allow_blank=True,
        help_text="What cleared it: the figure before and after, and the change sets. Blank: open.",
    )
    left_out = left_out_field()

    expansions = {"site": SiteSerializer}

    class Meta:
        model = Finding
        exclude = (
            "gravity",
            "subject_kind",
            "subject_id",
            "limit_value",
            "notified_excess",
            "clearing",
            "reasons",
            *DETAILS,
        )
        extra_kwargs = {
            "state_by": {"help_text": "Who last acknowledged, deferred, reopened or closed it."},
            "state_reason": {"help_text": "Their reason."},
            "recomputed": {"help_text": "Its last change came from a new formula, not from the record."},
        }


def annotate_findings(findings: Sequence[Any]) -> Annotated:
    """Annotate findings, read with their sites, with what `FindingSerializer` shows beyond their columns."""
    annotated = Annotated(findings)
    all_words = annotated.words
    for finding in findings:
        words = finding.words = all_words[finding.pk]
        subject = figures.subject(finding.subject, words.subject)
        finding.shown_subject = {**subject, "path": f"/api/v1/{path_of(finding.subject)}"}
        finding.shown_limit_is = figures.limit_is(words.limit)
        finding.shown_cautions = figures.cautions(annotated.cautions(finding))
        cut(finding, {"zones": annotated.zones(finding)}, prefix="shown_")
        finding.closing_text = annotated.closing_text(finding)
    return annotated


# --- queries and bodies -------------------------------------------------------------------------------------


class FindingFilterSet(SiteFilterSet):
    zone_id = fields.Id(help_text="What this zone depends on today, back to the switch.")
    closet_id = fields.Id(help_text="The equipment in this closet.")
    case_id = fields.Id()
    contract_id = fields.Id(help_text="Of sites that this contract covers today; cleared ones: covered then.")
    code = Names(figures.CODES, source="code__in", help_text="These limits, with commas between them.")
    state = Names(
        Finding.State.values,
        source="state__in",
        default=OPEN,
        help_text="These states, with commas between them; left out: all but `cleared`.",
    )
    verdict = fields.Word(Verdict, source="verdict__gte", help_text="This verdict or a worse one.")

    opened_from = fields.Instant(source="opened_at__gte", help_text="Opened at this moment or later.")
    opened_until = fields.Instant(source="opened_at__lte", help_text="Opened at this moment or earlier.")

    across = {
        "severity": ("code", "state", "verdict"),
        "opened_at": ("opened_from", "opened_until", "code", "state"),
        "id": (),
    }

    def is_sparse(self, name: str) -> bool:
        return name != "state" or Finding.State.CLEARED in self.validated_data[name]

    def filter_contract_id(self, rows: QuerySet[Any], value: int) -> QuerySet[Any]:
        return rows.filter(of_contract(value))

    def filter_zone_id(self, rows: QuerySet[Any], value: int) -> QuerySet[Any]:
        try:
            zone = zone_for(principal=self.context["view"].principal, id=value)
        except NotFound:
            return rows.none()
        return rows.filter(of_zone(zone))

    def filter_closet_id(self, rows: QuerySet[Any], value: int) -> QuerySet[Any]:
        try:
            closet = closet_for(principal=self.context["view"].principal, id=value)
        except NotFound:
            return rows.none()
        return rows.filter(in_closet(closet), site_id=closet.site_id)


class FindingChangeSerializer(StrictSerializer):
    """What people do to a finding. Figures, verdict and attribution are the record's."""

    state = fields.Choice(
        choices=[
            Finding.State.ACKNOWLEDGED.value,
            Finding.State.DEFERRED.value,
            Finding.State.OPEN.value,
        ],
        required=False,
        help_text="`open` takes an acknowledgement or a deferral back.",
    )
    deferred_until = fields.Day(
        required=False, help_text="With `deferred`: the day at its site on which it opens again by itself."
    )
    state_reason = fields.Text(
        required=False,
        allow_blank=True,
        max_length=longest(Finding, "state_reason"),
        help_text="With `deferred`, say why.",
    )
    outcome = fields.Choice(choices=[value for value in Finding.Outcome.values if value], required=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        deferred = attrs.get("state") == Finding.State.DEFERRED
        if "state" not in attrs and "outcome" not in attrs:
            raise whole_body_error("Nothing is to change: give a state, an outcome, or both.", code="empty")
        missing = {
            name: serializers.ErrorDetail(f"A deferral says {says}.", code="required")
            for name, says in (
                ("deferred_until", "until which day, as in 2026-12-24"),
                ("state_reason", "why"),
            )
            if deferred and not attrs.get(name)
        }
        if missing:
            raise serializers.ValidationError(missing)
        if "deferred_until" in attrs and not deferred:
            detail = "deferred_until goes with the state deferred; give that too, or leave this out."
            raise serializers.ValidationError({"deferred_until": detail}, code="unfitting")
        return attrs


# The API's names of the services' parameters
_OUTER: Final = {"until": "deferred_until", "reason": "state_reason"}


def refusal(error: ValidationError) -> ProblemError:
    """What a service refused: a 400 with the place, or a 409 where the thing has cleared."""
    if getattr(error, "error_dict", None):
        return invalid(
            [
                Problem(message, "invalid", f"/{_OUTER.get(name, name)}")
                for name, messages in error.message_dict.items()
                for message in messages
            ]
        )
    return ProblemError(CONFLICT, " ".join(error.messages))


# --- the resource -------------------------------------------------------------------------------------------


class FindingViewSet(ReadOnlyViewSet):
    """Findings: limits that are past, with figure, limit and verdict, the change that crossed it, and
    cautions. They open and clear by the record; people acknowledge and defer them, take that back, and close
    them."""

    gate = finding_for
    serializer_class = FindingSerializer
    filterset_class = FindingFilterSet
    ordering_fields = {"severity": "gravity", "opened_at": "opened_at", "id": "id"}
    ordering = "-severity"
    write_ability = Ability.WRITE_FINDINGS
    bodies = {"partial_update": FindingChangeSerializer}

    def get_queryset(self) -> QuerySet[Any]:
        return super().get_queryset().select_related("site", "case")

    def annotate(self, rows: Sequence[Any]) -> None:
        annotate_findings(rows)

    def partial_update(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """Acknowledge a finding, defer it until a day, take either back, or set its outcome."""
        finding = self.matched_object()
        values = self.validated_body()
        try:
            self._write(finding, values)
        except StaleVersionError:
            raise stale(self.versions(self.get_object())) from None
        except ValidationError as error:
            raise refusal(error) from error
        return self.respond(self.get_object())

    @transaction.atomic
    def _write(self, finding: Finding, values: Mapping[str, Any]) -> None:
        said = values.get("state_reason", "")
        by: dict[str, Any] = {"finding": finding, "user": self.principal.user, "reason": said}
        version: int | None = finding.version
        match values.get("state"):
            case Finding.State.ACKNOWLEDGED:
                finding_acknowledge(**by, expected_version=version)
            case Finding.State.DEFERRED:
                finding_defer(**by, until=values["deferred_until"], expected_version=version)
            case Finding.State.OPEN:
                finding_reopen(**by, expected_version=version)
        if "outcome" in values:
            # After a new state the lock is held, and the version another
            finding_set_outcome(
                **by,
                outcome=Finding.Outcome(values["outcome"]),
                expected_version=None if "state" in values else version,
            )
