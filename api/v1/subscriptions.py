"""Subscriptions: one's own; their secrets, shown once; and how each delivery went."""

from __future__ import annotations

from typing import Any, Final

from django.core import signing
from django.urls import reverse
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.filters import LONGEST_CURSOR
from api.conventions.problems import CONFLICT, ProblemError, invalid
from api.conventions.serializers import (
    QuerySerializer,
    ResourceSerializer,
    StrictSerializer,
    longest,
    whole_body_error,
)
from api.conventions.views import ApiView, Spec
from api.conventions.viewsets import Versions, etag, require_match, stale
from api.events.deliveries.made import MOST_REPLAYED, TooManyError, replay
from api.events.deliveries.subscribed import counts
from api.events.subscriptions import (
    MOST,
    deliveries_of,
    own_subscriptions,
    secret_replace,
    send_test,
    subscription_add,
    subscription_alter,
    subscription_for,
    subscription_on,
    subscription_remove,
)
from sites.access.abilities import Ability
from sites.changes.errors import ChangeConflict, Problem
from sites.models import Delivery, DeliveryAttempt, Subscription
from sites.models.subscriptions import MOST_KINDS
from zones.limits.limit import Severity

from .events import KINDS
from .tokens import CustomerIds

ABILITY: Final = Ability.SUBSCRIPTIONS
SEVERITIES: Final = [severity.name.lower() for severity in Severity]
LARGEST_PAGE: Final = 200
MOST_ATTEMPTS: Final = 100
SALT: Final = "zonebook.deliveries"
_URL_HELP: Final = "https://…, of a public host."


class Kinds(fields.List):
    def __init__(self, **kwargs: Any) -> None:
        super().__init__(child=fields.Choice(choices=KINDS), max_length=MOST_KINDS, **kwargs)


class StatesSerializer(serializers.Serializer):
    """How many deliveries there are. The dead were given up, and can be replayed."""

    waiting = fields.Whole(min_value=0)
    delivered = fields.Whole(min_value=0)
    dead = fields.Whole(min_value=0)
    withheld = fields.Whole(min_value=0)


class SubscriptionSerializer(ResourceSerializer):
    kinds = Kinds(help_text="Empty: every kind.")
    customer_ids = CustomerIds(source="*", help_text="null: every customer that its owner sees.")
    off_because_words = fields.Text(
        source="get_off_because_display", allow_blank=True, help_text="Blank while it is on."
    )
    deliveries: Any = StatesSerializer(source="counted")

    class Meta:
        model = Subscription
        exclude = ("owner", "narrowed", "secret", "old_secret", "position")


class SubscriptionsSerializer(serializers.Serializer):
    items: Any = serializers.ListField(child=SubscriptionSerializer(), max_length=MOST)
    next = fields.Text(allow_null=True, help_text="Always null: all are on one page.")


class SubscriptionSecretSerializer(SubscriptionSerializer):
    secret = fields.Text(
        allow_null=True,
        help_text="What the receiver checks signatures with (whsec_…). It is shown once: null where the "
        "answer is given again for its `Idempotency-Key`. Replace it then.",
    )


class _Chosen(StrictSerializer):
    """Which events are sent."""

    kinds = Kinds(required=False, default=list, help_text="Left out, or empty: every kind.")
    customer_ids = CustomerIds(
        required=False, default=None, help_text="Only these customers; left out: all that you see."
    )
    least_severity = fields.Choice(
        choices=SEVERITIES,
        required=False,
        default="",
        allow_blank=True,
        help_text="Send cases of this severity or more; left out: all cases.",
    )
    telephones = fields.Flag(required=False, default=False, help_text="With telephone numbers.")


class SubscriptionRequestSerializer(_Chosen):
    name = fields.Text(max_length=longest(Subscription, "name"))
    url = fields.Text(max_length=longest(Subscription, "url"), help_text=_URL_HELP)


class SubscriptionChangeSerializer(_Chosen):
    """What is left out stays."""

    name = fields.Text(max_length=longest(Subscription, "name"), required=False)
    url = fields.Text(max_length=longest(Subscription, "url"), required=False, help_text=_URL_HELP)
    state: Any = fields.Choice(choices=Subscription.State.choices, required=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if not attrs:
            raise whole_body_error("Nothing is to change: name at least one field.", code="empty")
        return attrs


class ReplaySerializer(StrictSerializer):
    """Which events to send again: those published in a range of time."""

    since = fields.Instant(help_text="From this moment on.")
    until = fields.Instant(help_text="Up to this moment.")
    only_dead = fields.Flag(required=False, default=False, help_text="Only what was given up.")

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if attrs["until"] < attrs["since"]:
            raise serializers.ValidationError({"until": ["Expected a moment after `since`."]}, code="order")
        return attrs


class ReplayedSerializer(serializers.Serializer):
    count = fields.Whole(min_value=0, help_text="How many events are sent again, each under its old id.")


class AttemptSerializer(ResourceSerializer):
    error_words = fields.Text(source="get_error_display")

    class Meta:
        model = DeliveryAttempt
        exclude = ("delivery",)


class DeliverySerializer(ResourceSerializer):
    """One event on its way to one subscription. `uid` is the event's id, and the `webhook-id` of each
    attempt."""

    tries: Any = serializers.ListField(
        child=AttemptSerializer(),
        source="shown_tries",
        max_length=MOST_ATTEMPTS,
        help_text=f"Every attempt, the latest last; of more than {MOST_ATTEMPTS} the latest.",
    )

    class Meta:
        model = Delivery
        exclude = ("event", "sequence", "lease", "leased_until")


class DeliveriesSerializer(serializers.Serializer):
    items = DeliverySerializer(many=True)
    next = fields.Text(allow_null=True, help_text="Send it as `cursor` for what follows.")


class DeliveryQuery(QuerySerializer):
    state: Any = fields.Choice(choices=Delivery.State.choices, required=False)
    cursor = fields.Text(max_length=LONGEST_CURSOR, required=False, help_text="`next` of the page before.")
    page_size = fields.Whole(min_value=1, max_value=LARGEST_PAGE, default=50)


class _View(ApiView):
    def subscription(self) -> Subscription:
        return subscription_for(principal=self.principal, id=int(self.kwargs["id"]))

    def matched(self) -> Subscription:
        row = self.subscription()
        require_match(self.request, _versions(row))
        return row


class SubscriptionListView(ApiView):
    """One's own subscriptions. What happens from the moment it is made is pushed to its URL, signed, as far
    as its owner may see it when it is sent."""

    specs = {
        "get": Spec(ABILITY, answer=SubscriptionsSerializer),
        "post": Spec(
            ABILITY,
            body=SubscriptionRequestSerializer,
            answer=SubscriptionSecretSerializer,
            status=201,
            shown_once="secret",
        ),
    }

    def get(self, request: Request) -> Response:  # noqa: ARG002
        """Your own subscriptions, oldest first; a token of some customers lists only those for these
        customers."""
        rows = list(own_subscriptions(self.principal).prefetch_related("customers").order_by("id"))
        return Response({"items": _shown(*rows), "next": None})

    def post(self, request: Request) -> Response:  # noqa: ARG002
        """Subscribe. The answer holds the secret that signs, once."""
        row, secret = subscription_add(principal=self.principal, **self.validated_body())
        return _with_secret(row, secret, status=201)


class SubscriptionView(_View):
    specs = {
        "get": Spec(ABILITY, answer=SubscriptionSerializer),
        "patch": Spec(
            ABILITY, body=SubscriptionChangeSerializer, answer=SubscriptionSerializer, if_match=True
        ),
        "delete": Spec(ABILITY, status=204, if_match=True),
    }

    def get(self, request: Request, id: int) -> Response:  # noqa: A002, ARG002
        """A subscription, without its secret."""
        return _answer(self.subscription())

    def patch(self, request: Request, id: int) -> Response:  # noqa: A002, ARG002
        """Change it, or switch it off and on. Switched on again, it goes on where it stopped."""
        row = self.matched()
        given = self.validated_body()
        try:
            return _answer(subscription_alter(principal=self.principal, subscription=row, given=given))
        except ChangeConflict:
            raise stale(_versions(self.subscription())) from None

    def delete(self, request: Request, id: int) -> Response:  # noqa: A002, ARG002
        """Remove it with its deliveries. Nothing more is sent."""
        row = self.matched()
        try:
            subscription_remove(subscription=row)
        except ChangeConflict:
            raise stale(_versions(self.subscription())) from None
        return Response(status=204)


class SubscriptionOnView(_View):
    specs = {"post": Spec(ABILITY, answer=SubscriptionSerializer)}

    def post(self, request: Request, id: int) -> Response:  # noqa: A002, ARG002
        """Switch it on again. It goes on where it stopped: it leaves out no event that is still kept."""
        return _answer(subscription_on(subscription=self.subscription()))


class SubscriptionSecretView(_View):
    specs = {"post": Spec(ABILITY, answer=SubscriptionSecretSerializer, shown_once="secret")}

    def post(self, request: Request, id: int) -> Response:  # noqa: A002, ARG002
        """Replace the secret. For a day both sign, so that the receiver can change over."""
        row, secret = secret_replace(subscription=self.subscription())
        return _with_secret(row, secret, status=200)


class SubscriptionTestView(_View):
    specs = {"post": Spec(ABILITY, answer=DeliverySerializer, status=202)}

    def post(self, request: Request, id: int) -> Response:  # noqa: A002, ARG002
        """Have an event `subscription.test` sent, once; its attempt is among the deliveries."""
        row = send_test(subscription=self.subscription())
        return Response(_delivery(row), status=202)


class SubscriptionReplayView(_View):
    specs = {"post": Spec(ABILITY, body=ReplaySerializer, answer=ReplayedSerializer, status=202)}

    def post(self, request: Request, id: int) -> Response:  # noqa: A002, ARG002
        """Send again what was published in a range of time, each event under its old id."""
        row = self.subscription()
        asked = self.validated_body()
        try:
            count = replay(row.pk, **asked)
        except TooManyError:
            detail = f"That is more than {MOST_REPLAYED} events: choose a shorter range."
            raise ProblemError(CONFLICT, detail) from None
        return Response({"count": count}, status=202)


class SubscriptionDeliveryListView(_View):
    specs = {"get": Spec(ABILITY, query=DeliveryQuery, answer=DeliveriesSerializer)}

    def get(self, request: Request, id: int) -> Response:  # noqa: A002, ARG002
        """Its deliveries with every attempt, the newest first. They are kept as long as their events."""
        asked: Any = self.asked
        row = self.subscription()
        bound_to = [row.pk, asked.get("state", "")]
        rows = deliveries_of(row, self.principal.scope).order_by("-id")
        if "state" in asked:
            rows = rows.filter(state=asked["state"])
        if "cursor" in asked:
            rows = rows.filter(id__lt=_place_of(asked["cursor"], bound_to))
        size = asked["page_size"]
        found = list(rows.prefetch_related("tries")[: size + 1])
        last = found[size - 1].pk if len(found) > size else None
        return Response(
            {
                "items": [_delivery(one) for one in found[:size]],
                "next": None if last is None else signing.dumps([bound_to, last], salt=SALT),
            }
        )


def _place_of(cursor: str, bound_to: list[Any]) -> int:
    try:
        bound, last = signing.loads(cursor, salt=SALT)
    except (signing.BadSignature, ValueError, TypeError):
        bound, last = None, 0
    if bound != bound_to:
        detail = (
            "This cursor belongs to another list or filter, or is not whole. Leave it out to start again."
        )
        raise invalid([Problem(detail, "cursor", "cursor")], in_query=True)
    return int(last)


def _versions(row: Subscription) -> Versions:
    return {f"subscription/{row.pk}": row.version}


def _shown(*rows: Subscription) -> list[Any]:
    counted = counts([row.pk for row in rows])
    for row in rows:
        row.counted = {state: counted[row.pk].get(state, 0) for state in Delivery.State.values}  # type: ignore[attr-defined]
    return list(SubscriptionSerializer(rows, many=True).data)


def _delivery(row: Delivery) -> Any:
    tries = sorted(row.tries.all(), key=lambda one: one.pk)[-MOST_ATTEMPTS:]
    row.shown_tries = tries  # type: ignore[attr-defined]
    return DeliverySerializer(row).data


def _answer(row: Subscription, *, status: int = 200) -> Response:
    return Response(_shown(row)[0], status=status, headers={"ETag": etag(_versions(row))})


def _with_secret(row: Subscription, secret: str, *, status: int) -> Response:
    answer = _answer(row, status=status)
    answer.data["secret"] = secret
    answer.headers["Cache-Control"] = "no-store"
    if status == 201:
        answer.headers["Location"] = reverse("subscription", kwargs={"id": row.pk})
    return answer
