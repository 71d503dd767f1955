"""Change sets: what is written to the record, and drafts of it, which are evaluated before they are
accepted."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.db.models import Q, QuerySet
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.places import body_problems
from api.conventions.problems import invalid
from api.conventions.serializers import ResourceSerializer, StrictSerializer, longest, whole_body_error
from api.conventions.views import Spec
from api.conventions.viewsets import ReadOnlyViewSet, etag, stale
from sites.access.abilities import Ability
from sites.access.gates import NotFound, change_set_for, site_for
from sites.access.scope import scoped
from sites.changes.errors import ChangeConflict, Problem
from sites.changes.selectors import to_list
from sites.changes.services import (
    Change,
    change_set_draft,
    change_set_revise,
    change_set_withdraw,
)
from sites.models.access import User
from sites.models.changes import ChangeSet, Withdrawal
from zones.models import Visit
from zones.planning.drafts import accept_draft, evaluate_draft, withdraw

from .dated import NO_CASE, CoveredFilterSet
from .effects import BesideEffect, EffectSerializer, effect_data
from .operation_lists import MAY_REVISE, OperationList, ResultSerializer, operation_problems, results_data
from .sites import SiteSerializer


class EvaluationSerializer(EffectSerializer):
    """What a draft would do to its site: limits that it would cross first, then those that it would clear,
    then what would get worse."""

    change_set_id = fields.Id()
    site_id = fields.Id()


class Person(fields.Text):
    """A user by name, as a person reads it."""

    def to_representation(self, value: User) -> str:
        return value.get_full_name() or value.get_username()


class WithdrawalSerializer(serializers.ModelSerializer):
    """By whom, when and why a recorded change set was withdrawn."""

    class Meta:
        model = Withdrawal
        fields = ("actor", "reason", "withdrawn_at")


class ChangeSetSerializer(BesideEffect, ResourceSerializer):
    accepted_by = Person(
        read_only=True,
        allow_null=True,
        help_text="Who made it the record; null: it is not accepted, or was accepted without a user.",
    )
    operations = OperationList(
        read_only=True,
        help_text="Each as `GET /operations` describes it. Empty where rows were written otherwise, as by an "
        "import: `/changes` has them. The place of a key (`key_location`) is left out, but for a draft that "
        "is read by itself, by those who may revise it: read it so before you send its operations back.",
    )

    withdrawal = WithdrawalSerializer(
        read_only=True, allow_null=True, help_text="null: it was not withdrawn, or was never recorded."
    )

    expansions = {"site": SiteSerializer}

    class Meta:
        model = ChangeSet
        exclude = ("user", "quiet", "transaction_id")
        extra_kwargs = {
            "actor": {"help_text": "Who recorded it, or drew it up, as a person reads it."},
            "happened_on": {
                "help_text": "A day in the site's time zone; null in a draft: the day it is accepted."
            },
            "recorded_at": {"help_text": "When it became the record."},
        }


class AcceptedChangeSetSerializer(ChangeSetSerializer):
    """An accepted change set, what each of its operations made or changed, and what it does to its site."""

    results = ResultSerializer(many=True, read_only=True)
    effect = EffectSerializer(
        read_only=True, allow_null=True, help_text="null: it belongs to no site, or to one that it adds."
    )


# --- queries and bodies -------------------------------------------------------------------------------------


class ChangeSetFilterSet(CoveredFilterSet):
    state = fields.Choice(choices=ChangeSet.State.choices)
    kind = fields.Choice(choices=ChangeSet.Kind.choices)
    purpose = fields.Choice(choices=ChangeSet.Purpose.choices)
    actor = fields.Text(
        source="actor__icontains", help_text="Part of the name, without regard to capital letters."
    )
    done_by = fields.Text(
        source="done_by__icontains", help_text="Part of the name, without regard to capital letters."
    )
    job_reference = fields.Text(source="job_reference__iexact", help_text=NO_CASE)
    visit_id = fields.Id(
        help_text="What was done on the day of this visit, under its job; for a visit without one, by its "
        "technician."
    )
    happened_from = fields.Day(source="happened_on__gte", help_text="What happened on this day or later.")
    happened_until = fields.Day(source="happened_on__lte", help_text="What happened on this day or earlier.")

    leading = frozenset({"job_reference"})
    across = {
        "id": ("state", "purpose"),  # in the order in which they were drawn up
        "happened_on": ("happened_from", "happened_until", "kind"),
        "recorded_at": (),
    }

    def filter_visit_id(self, rows: QuerySet[Any], value: int) -> QuerySet[Any]:
        visit = scoped(Visit, self.context["view"].principal.scope).filter(pk=value).first()
        if visit is None:
            return rows.none()
        under = Q(job_reference__iexact=visit.job_reference)
        if not visit.job_reference:
            name = visit.technician
            under = Q(done_by__iexact=name) | Q(done_by="", actor__iexact=name)
        return rows.filter(under, site_id=visit.site_id, happened_on=visit.visited_on)


class AcceptanceSerializer(StrictSerializer):
    """What is known on acceptance; fields that are left out stay as in the draft."""

    happened_on = fields.Day(required=False, help_text="A day in the site's time zone.")
    planned = fields.Flag(
        required=False, help_text="happened_on may be a day to come: until then the record is as it was."
    )
    job_reference = fields.Text(
        required=False, allow_blank=True, max_length=longest(ChangeSet, "job_reference")
    )
    done_by = fields.Text(
        required=False,
        allow_blank=True,
        max_length=longest(ChangeSet, "done_by"),
        help_text="Who did the work, a person or a firm, where that is not who records it.",
    )


class DraftSerializer(AcceptanceSerializer):
    """A draft: what would be done on one site, and why."""

    site_id = fields.Id()
    reason = fields.Text(max_length=longest(ChangeSet, "reason"))
    happened_on = fields.Day(
        required=False,
        allow_null=True,
        help_text="A day in the site's time zone; left out: the day it is accepted.",
    )
    purpose = fields.Choice(choices=ChangeSet.Purpose.choices, default=ChangeSet.Purpose.RECORD)
    operations = OperationList()

    def validate_site_id(self, site_id: int) -> int:
        try:
            return site_for(principal=self.context["view"].principal, id=site_id).pk
        except NotFound:
            raise ValidationError(f"There is no site {site_id}.", code="not_found") from None


class DraftRevisionSerializer(AcceptanceSerializer):
    """What changes in a draft. One that was withdrawn becomes a draft again."""

    reason = fields.Text(required=False, max_length=longest(ChangeSet, "reason"))
    operations = OperationList(required=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if not attrs:
            raise whole_body_error(
                "Nothing is to change: name at least one of reason, job_reference, done_by, happened_on, "
                "operations.",
                code="empty",
            )
        return attrs


class WithdrawingSerializer(StrictSerializer):
    """Why; of a draft that may be left out."""

    reason = fields.Text(required=False, max_length=longest(Withdrawal, "reason"))


class NothingSerializer(StrictSerializer):
    """An empty object."""


# --- the resource -------------------------------------------------------------------------------------------


class ChangeSetViewSet(ReadOnlyViewSet):
    """Change sets: everything that was written to the record, with who, when and why; and drafts: a what-if,
    a saved plan, or a technician's redline, evaluated before it is accepted."""

    gate = change_set_for
    serializer_class = ChangeSetSerializer
    filterset_class = ChangeSetFilterSet
    ordering_fields = {"id": "id", "happened_on": "happened_on", "recorded_at": "recorded_at"}
    ordering = "-id"
    bodies = {"create": DraftSerializer, "partial_update": DraftRevisionSerializer}

    def get_queryset(self) -> QuerySet[Any]:
        return to_list(super().get_queryset())

    def get_serializer_context(self) -> dict[str, Any]:
        may_revise = self.operation != "list" and self.principal.may(Ability.WRITE_RECORD)
        return {**super().get_serializer_context(), MAY_REVISE: may_revise}

    def always_has(self, path: str) -> bool:
        return path == "happened_on" and self.asked.get("state") == ChangeSet.State.ACCEPTED

    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """Draw up a draft. Its operations are applied and undone, so that what could not be accepted is
        refused now; nothing of the record changes."""
        values = self.validated_body()
        operations = values.pop("operations")
        change = Change(user=self.principal.user, channel=ChangeSet.Channel.REST, **values)
        draft = change_set_draft(change, operations)
        return self.respond(draft, status=201)

    def partial_update(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """Change a draft. The versions of the rows that it builds on are read again."""
        draft = self.matched_object()
        values = self.validated_body()
        try:
            revised = change_set_revise(
                change_set=draft,
                bodies=values.pop("operations", None),
                expected_version=draft.version,
                **values,
            )
        except ChangeConflict as conflict:
            raise self._overtaken(conflict) from conflict
        return self.respond(revised)

    @action(
        detail=True,
        methods=["post"],
        action_spec=Spec(
            Ability.READ_RECORD, body=NothingSerializer, answer=EvaluationSerializer, computes=True
        ),
    )
    def evaluate(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """What a draft would do: each limit whose figure would differ, before and after, those that it would
        cross first. Nothing is written."""
        self.validated_body()
        draft = self.get_object()
        found = {"change_set_id": draft.pk, "site_id": draft.site_id, **effect_data(evaluate_draft(draft))}
        return Response(found, headers={"ETag": etag(self.versions(draft))})

    @action(
        detail=True,
        methods=["post"],
        action_spec=Spec(body=AcceptanceSerializer, answer=AcceptedChangeSetSerializer, if_match=True),
    )
    def accept(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """Make a draft the record; the answer says what that does to the figures of the site. Where someone
        else changed what it builds on, that is a 409, which names the operation and the change set that came
        in between."""
        draft = self.matched_object()
        values = self.validated_body()
        try:
            accepted, effect = accept_draft(
                change_set=draft,
                user=self.principal.user,
                expected_version=draft.version,
                **values,
            )
        except ChangeConflict as conflict:
            raise self._overtaken(conflict) from conflict
        row = self.get_object()
        row.results = results_data(accepted)
        row.effect = None if effect is None else effect_data(effect)
        return Response(AcceptedChangeSetSerializer(row).data, headers={"ETag": etag(self.versions(row))})

    @action(detail=True, methods=["post"], action_spec=Spec(body=WithdrawingSerializer, if_match=True))
    def withdraw(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """Put a draft aside: it stays, and a PATCH makes it a draft again. Or withdraw, whole, what was
        recorded by mistake today: what the change set made is gone, what it superseded is as it was, and the
        answer says what that does to the figures. Refused where something refers to it, or came later."""
        row = self.matched_object()
        reason = self.validated_body().get("reason")
        effect = None
        try:
            if row.recorded_at is None:
                row = change_set_withdraw(change_set=row, expected_version=row.version)
            elif reason is None:
                raise invalid(
                    [
                        Problem(
                            "Say why: a recorded change set is withdrawn with a reason.",
                            "required",
                            "/reason",
                        )
                    ]
                )
            else:
                row, effect = withdraw(
                    change_set=row, user=self.principal.user, reason=reason, expected_version=row.version
                )
        except ChangeConflict as conflict:
            raise self._overtaken(conflict) from conflict
        answer = self.respond(row)
        if effect is not None:
            answer.data["effect"] = effect_data(effect)
        return answer

    def _overtaken(self, conflict: ChangeConflict) -> Exception:
        """A draft that was itself changed meanwhile is a 412; one whose rows were, a 409 as it stands."""
        if any(problem.operation is not None for problem in conflict.problems):
            return conflict
        return stale(self.versions(self.get_object()))

    def validated_body(self) -> dict[str, Any]:
        """The body's values; everything wrong with it, and in each of its operations, is named at once."""
        body_class = self.spec.body
        assert isinstance(body_class, type)
        given = self.request.data
        body = body_class(data=given, context={"view": self})
        problems = [] if body.is_valid() else body_problems(body.errors)
        if isinstance(given, Mapping) and "operations" in given:
            problems += operation_problems(given["operations"])
        if problems:
            raise invalid(problems)
        values: dict[str, Any] = body.validated_data
        return values
