"""People: whom a manager sees, adds, alters, switches off and on, gives a password, or removes; and their
tokens."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Final

from django.contrib.auth import update_session_auth_hash
from django.db.models import QuerySet
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.filters import FilterSet
from api.conventions.problems import FORBIDDEN, ProblemError
from api.conventions.serializers import ResourceSerializer, StrictSerializer, longest, whole_body_error
from api.conventions.views import Spec
from api.conventions.viewsets import ReadOnlyViewSet, stale
from sites.access.abilities import Ability
from sites.access.gates import user_for
from sites.access.selectors import customers_granted, tokens_of
from sites.changes.errors import ChangeConflict
from sites.changes.parameters import MOST_IDS
from sites.models.access import PersonRemoval, User
from sites.services.people import (
    LONGEST_NAME,
    password_set,
    person_remove,
    user_activate,
    user_add,
    user_alter,
    user_deactivate,
)

from .change_sets import NothingSerializer
from .dated import NO_CASE
from .tokens import TokenSerializer, TokensSerializer

LONGEST_PASSWORD: Final = 4096
_GRANTED: Final = "The customers that they see and no others; empty: all of them, with all_customers."


class RemovalSerializer(serializers.ModelSerializer):
    """By whom, when and why a person was taken out of the record."""

    rows_changed = serializers.DictField(
        child=fields.Whole(),
        read_only=True,
        help_text="How many rows of each table named the person, or had an address or number of theirs.",
    )

    class Meta:
        model = PersonRemoval
        fields = ("actor", "reason", "removed_at", "rows_changed")


class UserSerializer(ResourceSerializer):
    name = fields.Text(source="shown_name", read_only=True, max_length=301, help_text="As others read it.")
    has_password = serializers.BooleanField(read_only=True, help_text="Without one they cannot log in yet.")
    customer_ids = fields.List(
        child=fields.Id(), max_length=MOST_IDS, source="granted", read_only=True, help_text=_GRANTED
    )
    added_at = fields.Moment(source="date_joined", read_only=True)
    removal = RemovalSerializer(
        read_only=True, allow_null=True, help_text="null: the person was not removed."
    )
    last_login_at = fields.Moment(source="last_login", read_only=True, allow_null=True)

    class Meta:
        model = User
        fields = (
            "id",
            "username",
            "name",
            "email",
            "role",
            "all_customers",
            "customer_ids",
            "is_active",
            "has_password",
            "added_at",
            "last_login_at",
            "removal",
        )
        extra_kwargs = {
            "username": {"help_text": "What they log in with."},
            "is_active": {"help_text": "false: they neither log in nor have tokens."},
        }


class UserFilterSet(FilterSet):
    username = fields.Text(source="username__iexact", help_text=NO_CASE)
    role = fields.Choice(choices=User.Role.choices)
    customer_id = fields.Id(source="grants__customer_id", help_text="Those granted this customer by name.")
    is_active = fields.Flag()


class _Person(StrictSerializer):
    name = fields.Text(max_length=LONGEST_NAME, help_text="As others read it.")
    email = fields.Text(required=False, allow_blank=True, max_length=longest(User, "email"))
    role = fields.Choice(choices=User.Role.choices)
    all_customers = fields.Flag(required=False, help_text="Every customer, those to come included.")
    customer_ids = fields.List(
        child=fields.Id(), required=False, max_length=MOST_IDS, help_text="These customers and no others."
    )


class UserAddSerializer(_Person):
    """A person who will log in, or whose tokens programs use. A password is set by itself."""

    username = fields.Text(
        max_length=longest(User, "username"),
        help_text="The username, to log in with: letters, digits and @ . + - _. No other differs from it in "
        "capital letters only.",
    )


class UserAlterSerializer(_Person):
    """What is left out stays. `customer_ids` replaces those that are granted, or all customers."""

    name = fields.Text(required=False, max_length=LONGEST_NAME, help_text="As others read it.")
    role = fields.Choice(choices=User.Role.choices, required=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if not attrs:
            raise whole_body_error(
                "Nothing is to change: name at least one of all_customers, customer_ids, email, name, role.",
                code="empty",
            )
        return attrs


class PasswordSerializer(StrictSerializer):
    """A password, the first or another."""

    password = fields.Text(
        max_length=LONGEST_PASSWORD,
        write_only=True,
        trim_whitespace=False,
        help_text="It is in no answer. Weak ones are refused, with the reason.",
    )


class RemovingSerializer(StrictSerializer):
    """Why, and whether it is only tried."""

    reason = fields.Text(max_length=longest(PersonRemoval, "reason"))
    trial = fields.Flag(
        required=False, help_text="true: nothing is changed; the answer says what would be, in `removal`."
    )


class UserViewSet(ReadOnlyViewSet):
    """Users whose customers are all among yours; users with more customers are hidden from you.
    Nobody grants more than they have, and one active manager of all customers who can log in is always
    left."""

    gate = user_for
    serializer_class = UserSerializer
    filterset_class = UserFilterSet
    ordering_fields = {"username": "username", "id": "id"}
    ordering = "username"
    read_ability = Ability.ADMIN
    write_ability = Ability.ADMIN
    bodies = {"create": UserAddSerializer, "partial_update": UserAlterSerializer}

    def get_queryset(self) -> QuerySet[Any]:
        return super().get_queryset().select_related("removal")

    def annotate(self, rows: Sequence[Any]) -> None:
        granted = customers_granted(rows)
        for user in rows:
            user.granted = granted[user.pk]
            user.shown_name = user.get_full_name()
            user.has_password = user.has_usable_password()

    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """Add a user. They log in once a password is set."""
        return self.respond(user_add(by=self.principal, **self.validated_body()), status=201)

    def partial_update(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """Change name, email, role or customers. It holds from their next request on."""
        user = self.matched_object()
        given = self.validated_body()
        try:
            altered = user_alter(by=self.principal, user=user, given=given, expected_version=user.version)
        except ChangeConflict:
            raise stale(self.versions(self.get_object())) from None
        return self.respond(altered)

    @action(detail=True, methods=["post"], action_spec=Spec(body=NothingSerializer))
    def deactivate(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """Switch a user off: at once their sessions end and their tokens are revoked, for good. A second time
        changes nothing."""
        return self._switch(user_deactivate)

    @action(detail=True, methods=["post"], action_spec=Spec(body=NothingSerializer))
    def activate(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """Let a user log in again. Their tokens stay revoked. A second time changes nothing."""
        return self._switch(user_activate)

    def _switch(self, service: Callable[..., User]) -> Response:
        user = self.get_object()
        self.validated_body()
        return self.respond(service(by=self.principal, user=user))

    @action(detail=True, methods=["post"], action_spec=Spec(body=RemovingSerializer))
    def remove(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """Take a person out of the record, for good: their name, username, email address and telephone
        numbers become `removed person N` everywhere, and what they did stays. Sessions and tokens end.
        Contacts of the same name or address are taken for the same person: look with `trial` first. It takes
        a manager of all customers. A second time changes nothing."""
        user = self.get_object()
        given = self.validated_body()
        removal = person_remove(by=self.principal, user=user, **given)
        shown = self.get_object()
        shown.removal = removal
        return self.respond(shown)

    @action(detail=True, methods=["post"], action_spec=Spec(body=PasswordSerializer))
    def password(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        """Set a user's password; their sessions end, except the one that asks. It takes a session: a
        person who sets a password can log in with it, and do what no token may."""
        user = self.get_object()
        if self.principal.token is not None:
            raise ProblemError(FORBIDDEN, "No token sets a password: a person who is logged in may do this.")
        password = self.validated_body()["password"]
        changed = password_set(by=self.principal, user=user, password=password)
        if changed.pk == self.principal.user.pk:
            update_session_auth_hash(request._request, changed)  # noqa: SLF001 - Django's request
        return self.respond(changed)

    @action(detail=True, methods=["get"], action_spec=Spec(Ability.ADMIN, answer=TokensSerializer))
    def tokens(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """A user's tokens, the newest first, revoked ones included; never their secrets."""
        rows = tokens_of(self.get_object(), self.principal.scope)
        return Response({"items": TokenSerializer(rows, many=True).data, "next": None})
