"""Tokens of programs: one's own, listed, made and revoked; managers revoke those of others too. A secret is
shown once, when it is made."""

from __future__ import annotations

from typing import Any, Final

from django.core.exceptions import ValidationError
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.permissions import AUTHENTICATED
from api.conventions.serializers import ResourceSerializer, StrictSerializer, longest
from api.conventions.views import ApiView, Spec
from sites.access.abilities import FORMER_SCOPES, TOKEN_SCOPES, Ability
from sites.access.gates import NotFound
from sites.access.selectors import own_tokens, tokens_to_revoke
from sites.access.services import own_token_make, token_revoke
from sites.changes.parameters import MOST_IDS
from sites.models.access import MOST_SCOPES, Token

SCOPES: Final = [ability.value for ability in TOKEN_SCOPES]
_FIELD_OF: Final = {"past": "expires_at", "beyond_expiry": "expires_at", "beyond_grant": "customer_ids"}


class CustomerIds(fields.List):
    """Null: every customer that its user sees."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(child=fields.Id(), allow_null=True, max_length=MOST_IDS, **kwargs)

    def to_representation(self, data: Any) -> list[int] | None:  # type: ignore[override]
        return sorted(customer.pk for customer in data.customers.all()) if data.narrowed else None


class Scopes(serializers.ListField):
    """A token's scopes under their present names."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(child=fields.Choice(choices=SCOPES), max_length=MOST_SCOPES, **kwargs)

    def to_representation(self, data: Any) -> list[str]:
        return [FORMER_SCOPES.get(scope, scope) for scope in data]


class TokenSerializer(ResourceSerializer):
    scopes = Scopes()
    customer_ids = CustomerIds(source="*", help_text="null: every customer that its user sees.")

    class Meta:
        model = Token
        exclude = ("user", "digest", "narrowed")
        extra_kwargs = {"last_used_at": {"help_text": "To the hour."}}


class TokensSerializer(serializers.Serializer):
    items = TokenSerializer(many=True)
    next = fields.Text(allow_null=True, help_text="Always null: all are on one page.")


class TokenMadeSerializer(TokenSerializer):
    secret = fields.Text(
        allow_null=True,
        help_text="What the program sends. It is shown once, and not stored: null where the answer is given "
        "again for its `Idempotency-Key`. Revoke the token then, and make another.",
    )


class TokenRequestSerializer(StrictSerializer):
    name = fields.Text(required=False, default="", allow_blank=True, max_length=longest(Token, "name"))
    scopes = fields.List(child=fields.Choice(choices=SCOPES), min_length=1, max_length=MOST_SCOPES)
    customer_ids = CustomerIds(
        required=False, default=None, help_text="Only these customers; left out: all that you see."
    )
    expires_at = fields.Instant(
        required=False, default=None, allow_null=True, help_text="Left out, or null: in 90 days."
    )


class TokenListView(ApiView):
    """One's own tokens. A token does no more than the one who makes it may, and sees no more."""

    specs = {
        "get": Spec(AUTHENTICATED, answer=TokensSerializer),
        "post": Spec(
            Ability.ADMIN,
            body=TokenRequestSerializer,
            answer=TokenMadeSerializer,
            status=201,
            shown_once="secret",
        ),
    }

    def get(self, request: Request) -> Response:  # noqa: ARG002
        """One's own tokens, the newest first; through a token that may not make others, that one alone."""
        items = TokenSerializer(own_tokens(self.principal), many=True).data
        return Response({"items": items, "next": None})

    def post(self, request: Request) -> Response:  # noqa: ARG002
        """Make a token that speaks for you."""
        asked = self.validated_body()
        try:
            token, secret = own_token_make(principal=self.principal, **asked)
        except ValidationError as error:
            by_field: dict[str, list[ValidationError]] = {}
            for one in error.error_list:
                by_field.setdefault(_FIELD_OF.get(one.code or "", "scopes"), []).append(one)
            raise ValidationError(by_field) from error
        answer = Response({**TokenSerializer(token).data, "secret": secret}, status=201)
        answer.headers["Cache-Control"] = "no-store"
        return answer


class TokenRevocationView(ApiView):
    specs = {"post": Spec(AUTHENTICATED, answer=TokenSerializer)}

    def post(self, request: Request, id: int) -> Response:  # noqa: A002, ARG002 - it is the id of an address
        """End a token for good: one of your own, or, for managers, one of a user they see. A second time
        changes nothing."""
        token = tokens_to_revoke(self.principal).filter(pk=id).first()
        if token is None:
            raise NotFound
        token_revoke(token=token)
        return Response(TokenSerializer(token).data)
