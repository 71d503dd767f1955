"""Door and alarm codes: set, replaced and removed; shown to a person, one at a time, with a reason; and the
log of that. The code itself is in one answer only, that to `reveal`."""

from __future__ import annotations

from typing import Any, Final

from django.db.models import QuerySet
from rest_framework.decorators import action
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.problems import CONFLICT, ProblemError
from api.conventions.serializers import ResourceSerializer, StrictSerializer, whole_body_error
from api.conventions.views import Spec
from api.conventions.viewsets import ReadOnlyViewSet, Versions, stale
from sites.access.abilities import Ability
from sites.access.gates import NotFound, closet_for, secret_for, secret_reveal_for, site_for
from sites.changes.errors import ChangeConflict
from sites.models import Closet, Secret, SecretReveal, Site
from sites.services.secrets import (
    SecretUnreadable,
    secret_add,
    secret_alter,
    secret_remove,
    secret_reveal,
)

from .change_sets import Person
from .dated import SiteFilterSet
from .sites import SiteSerializer

LONGEST_CODE: Final = 200


class SecretSerializer(ResourceSerializer):
    """A code that is kept: what it opens, and who set it. Never the code."""

    written_by = Person(read_only=True, help_text="Who set the code.")

    expansions = {"site": SiteSerializer}

    class Meta:
        model = Secret
        exclude = ("ciphertext", "written_by", "removed_at")
        extra_kwargs = {"written_at": {"help_text": "When the code was set."}}


class SecretFilterSet(SiteFilterSet):
    closet_id = fields.Id()
    kind = fields.Choice(choices=Secret.Kind.choices)


# The metaclass takes declared fields out of the class body, so a field may well be called `label`
_LABEL_HELP: Final = "What it opens; never the code."


class _OfACloset(StrictSerializer):
    def validate_closet_id(self, closet_id: int | None) -> Closet | None:
        if closet_id is None:
            return None
        try:
            return closet_for(principal=self.context["view"].principal, id=closet_id)
        except NotFound:
            raise ValidationError(f"There is no closet {closet_id}.", code="not_found") from None


class SecretSettingSerializer(_OfACloset):
    """A code to keep, for a site or one of its closets."""

    site_id = fields.Id(required=False, help_text="Left out: that of the closet.")
    closet_id = fields.Id(required=False, allow_null=True, help_text="null: a code of the whole site.")
    kind = fields.Choice(choices=Secret.Kind.choices)
    label: Any = fields.Text(max_length=80, help_text=_LABEL_HELP)
    code = fields.Text(max_length=LONGEST_CODE, write_only=True, trim_whitespace=False)

    def validate_site_id(self, site_id: int) -> Site:
        try:
            return site_for(principal=self.context["view"].principal, id=site_id)
        except NotFound:
            raise ValidationError(f"There is no site {site_id}.", code="not_found") from None

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        closet = attrs.get("closet_id")
        if "site_id" not in attrs and closet is None:
            raise whole_body_error("Say what it belongs to: one of closet_id, site_id.", code="required")
        attrs.setdefault("site_id", closet.site if closet is not None else None)
        return attrs


class SecretChangeSerializer(_OfACloset):
    """Another code, or another word for what it opens. What is left out stays."""

    closet_id = fields.Id(required=False, allow_null=True, help_text="null: a code of the whole site.")
    kind = fields.Choice(choices=Secret.Kind.choices, required=False)
    label: Any = fields.Text(required=False, max_length=80, help_text=_LABEL_HELP)
    code = fields.Text(required=False, max_length=LONGEST_CODE, write_only=True, trim_whitespace=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if not attrs:
            raise whole_body_error(
                "Nothing is to change: name at least one of closet_id, code, kind, label.", code="empty"
            )
        return attrs


class RevealSerializer(StrictSerializer):
    """Why the code is needed; it is logged with who asks, and when."""

    reason = fields.Text(max_length=2000)


class RevealedSerializer(ResourceSerializer):
    """A code, for the person who asked."""

    code = fields.Text(
        allow_null=True,
        help_text="null where the answer is given again for its `Idempotency-Key`: a code is never stored "
        "for that. Ask once more with another key; that is logged too.",
    )

    class Meta:
        model = Secret
        fields = ("id", "label", "kind", "code")


class SecretViewSet(ReadOnlyViewSet):
    """Door and alarm codes. Lists show what each opens and who set it. A code is shown by `reveal` only, to a
    person who is logged in, with a reason, and each time is logged."""

    gate = secret_for
    serializer_class = SecretSerializer
    filterset_class = SecretFilterSet
    ordering_fields = {"label": "label", "site": "site__name", "id": "id"}
    ordering = "label"
    bodies = {"create": SecretSettingSerializer, "partial_update": SecretChangeSerializer, "destroy": None}

    def get_queryset(self) -> QuerySet[Any]:
        return super().get_queryset().filter(removed_at__isnull=True).select_related("written_by")

    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """Keep a code, encrypted. One that was removed under the same label is taken up again."""
        values = self.validated_body()
        site, closet = values.pop("site_id"), values.pop("closet_id", None)
        return self.respond(
            secret_add(user=self.principal.user, site=site, closet=closet, **values), status=201
        )

    def partial_update(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """Replace the code, or say otherwise what it opens. The code before is gone."""
        secret = self.matched_object()
        given = self.validated_body()
        if "closet_id" in given:
            given["closet"] = given.pop("closet_id")
        try:
            altered = secret_alter(
                user=self.principal.user, secret=secret, given=given, expected_version=secret.version
            )
        except ChangeConflict:
            raise stale(self.versions(self.get_object())) from None
        return self.respond(altered)

    def destroy(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """Remove the code. The log of the people who were shown it stays."""
        secret = self.matched_object()
        try:
            secret_remove(user=self.principal.user, secret=secret, expected_version=secret.version)
        except ChangeConflict:
            raise stale(self.versions(self.get_object())) from None
        return Response(status=204)

    @action(
        detail=True,
        methods=["post"],
        action_spec=Spec(
            Ability.REVEAL_SECRETS, body=RevealSerializer, answer=RevealedSerializer, shown_once="code"
        ),
    )
    def reveal(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """Be shown a code, with a reason. It is logged who asked, when and why. Programs cannot: it takes a
        session, and no token has this scope."""
        secret = self.get_object()
        reason = self.validated_body()["reason"]
        try:
            secret.code = secret_reveal(user=self.principal.user, secret=secret, reason=reason)
        except SecretUnreadable as error:
            raise ProblemError(CONFLICT, str(error)) from error
        return Response(RevealedSerializer(secret).data, headers={"Cache-Control": "no-store"})


# --- the log ------------------------------------------------------------------------------------------------


class SecretRevealSerializer(ResourceSerializer):
    """Who was shown a code, when and why."""

    site_id = fields.Id(source="secret.site_id", read_only=True)
    label: Any = fields.Text(source="secret.label", read_only=True, help_text="What the code opens.")
    user = Person(read_only=True)

    class Meta:
        model = SecretReveal
        exclude = ("user",)


class SecretRevealFilterSet(SiteFilterSet):
    site_id = fields.Id(source="secret__site_id")
    customer_id = fields.Id(source="secret__site__customer_id")
    secret_id = fields.Id()
    revealed_from = fields.Instant(source="revealed_at__gte", help_text="At this moment or later.")
    revealed_until = fields.Instant(source="revealed_at__lte", help_text="At this moment or earlier.")

    across = {"revealed_at": ("revealed_from", "revealed_until"), "id": ()}


class SecretRevealViewSet(ReadOnlyViewSet):
    """The log of codes that were shown, those of codes that were removed since included. It is only ever
    added to."""

    gate = secret_reveal_for
    serializer_class = SecretRevealSerializer
    filterset_class = SecretRevealFilterSet
    ordering_fields = {"revealed_at": "revealed_at", "id": "id"}
    ordering = "-revealed_at"
    read_ability = Ability.ADMIN

    def get_queryset(self) -> QuerySet[Any]:
        return super().get_queryset().select_related("secret", "user")

    def versions(self, row: SecretReveal) -> Versions:
        return {f"secret_reveal/{row.pk}": row.pk}  # it never changes
