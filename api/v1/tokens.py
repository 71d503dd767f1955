"""Tokens of programs: one's own, listed, made and revoked. A secret is shown once, when it is made."""

from __future__ import annotations

from typing import Any, Final

from django.core.exceptions import ValidationError
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.permissions import AUTHENTICATED
from api.conventions.serializers import Body
from api.conventions.views import Door
from sites.access.abilities import TOKEN_SCOPES, Ability
from sites.access.gates import NotFound
from sites.access.models import Token
from sites.access.selectors import own_tokens
from sites.access.services import own_token_make, token_revoke

SCOPES: Final = [ability.value for ability in TOKEN_SCOPES]
_FIELD_OF: Final = {"past": "expires_at", "beyond_expiry": "expires_at", "beyond_grant": "customer_ids"}


class CustomerIds(serializers.ListField):
    """Null: every customer that its user sees."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(child=fields.Id(), allow_null=True, **kwargs)


class TokenShown(Body):
    id = fields.Id()
    name = fields.Text(allow_blank=True)
    scopes = serializers.ListField(child=fields.Choice(choices=SCOPES))
    customer_ids = CustomerIds(help_text="null: every customer that its user sees.")
    created_at = fields.Instant()
    last_used_at = fields.Instant(allow_null=True, help_text="To the minute.")
    expires_at = fields.Instant(allow_null=True)
    revoked_at = fields.Instant(allow_null=True)


class TokensShown(Body):
    items = TokenShown(many=True)
    next = fields.Text(allow_null=True, help_text="Always null: one's own are not many.")


class TokenMadeShown(TokenShown):
    secret = fields.Text(help_text="What the program sends. It is shown this once, and kept nowhere.")


class TokenBody(Body):
    name = fields.Text(required=False, default="", allow_blank=True, max_length=120)
    scopes = serializers.ListField(child=fields.Choice(choices=SCOPES), min_length=1)
    customer_ids = CustomerIds(
        required=False, default=None, help_text="Only these customers; left out: all that you see."
    )
    expires_at = fields.Instant(required=False, default=None, allow_null=True)


class Tokens(Door):
    """One's own tokens. A token does no more than the one who makes it may, and sees no more."""

    abilities = {"get": AUTHENTICATED, "post": Ability.ADMIN}
    bodies = {"post": TokenBody}
    answers = {"get": {200: TokensShown}, "post": {201: TokenMadeShown}}

    def get(self, request: Request) -> Response:  # noqa: ARG002
        """One's own tokens, the newest first; through a token that may not make others, that one alone."""
        return Response({"items": [_shown(token) for token in own_tokens(self.principal)], "next": None})

    def post(self, request: Request) -> Response:  # noqa: ARG002
        """Make a token that speaks for you."""
        asked = self.body()
        try:
            token, secret = own_token_make(principal=self.principal, **asked)
        except ValidationError as error:
            by_field: dict[str, list[ValidationError]] = {}
            for one in error.error_list:
                by_field.setdefault(_FIELD_OF.get(one.code or "", "scopes"), []).append(one)
            raise ValidationError(by_field) from error
        answer = Response({**_shown(token), "secret": secret}, status=201)
        answer.headers["Cache-Control"] = "no-store"
        return answer


class TokenRevocation(Door):
    abilities = {"post": AUTHENTICATED}
    answers = {"post": {200: TokenShown}}

    def post(self, request: Request, id: int) -> Response:  # noqa: A002, ARG002 - it is the id of an address
        """End one of your own tokens for good. A second time changes nothing."""
        token = own_tokens(self.principal).filter(pk=id).first()
        if token is None:
            raise NotFound
        token_revoke(token=token)
        return Response(_shown(token))


def _shown(token: Token) -> dict[str, Any]:
    customer_ids = sorted(customer.pk for customer in token.customers.all()) if token.narrowed else None
    return {
        "id": token.pk,
        "name": token.name,
        "scopes": token.scopes,
        "customer_ids": customer_ids,
        **{
            name: fields.Instant().to_representation(value) if (value := getattr(token, name)) else None
            for name in ("created_at", "last_used_at", "expires_at", "revoked_at")
        },
    }
