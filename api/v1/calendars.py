"""Calendars of due tests: one's own, made and removed. The address of one is shown once, when it is made."""

from __future__ import annotations

from typing import Any, Final

from django.urls import reverse
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.serializers import ResourceSerializer, StrictSerializer, longest
from api.conventions.views import ApiView, Spec
from api.conventions.viewsets import Versions, etag, require_match
from sites.access.abilities import Ability
from sites.models.access import Calendar
from sites.services.calendars import MOST, calendar_add, calendar_for, calendar_remove, own_calendars

ABILITY: Final = Ability.CALENDARS


class CalendarSerializer(ResourceSerializer):
    class Meta:
        model = Calendar
        exclude = ("owner", "digest")


class CalendarsSerializer(serializers.Serializer):
    items: Any = serializers.ListField(child=CalendarSerializer(), max_length=MOST)
    next = fields.Text(allow_null=True, help_text="Always null: all are on one page.")


class CalendarMadeSerializer(CalendarSerializer):
    address = fields.Text(
        allow_null=True,
        help_text="What a calendar program subscribes to (RFC 5545). Anyone who has it sees the calendar "
        "without a log-in. It is shown once, and not stored: null where the answer is given again for its "
        "`Idempotency-Key`. Remove the calendar then, and make another.",
    )


class CalendarRequestSerializer(StrictSerializer):
    name = fields.Text(max_length=longest(Calendar, "name"), help_text="Who or what subscribes to it.")


class CalendarListView(ApiView):
    """One's own calendars: the tests that are due at the sites that their owner may see when a program asks.
    They are made by people, never by tokens, which end."""

    specs = {
        "get": Spec(ABILITY, answer=CalendarsSerializer),
        "post": Spec(
            ABILITY,
            body=CalendarRequestSerializer,
            answer=CalendarMadeSerializer,
            status=201,
            shown_once="address",
        ),
    }

    def get(self, request: Request) -> Response:  # noqa: ARG002
        """One's own, the oldest first."""
        items = CalendarSerializer(own_calendars(self.principal), many=True).data
        return Response({"items": items, "next": None})

    def post(self, request: Request) -> Response:
        """Make a calendar. The answer holds its address, once."""
        row, key = calendar_add(principal=self.principal, **self.validated_body())
        address = request.build_absolute_uri(reverse("calendar-file", kwargs={"key": key}))
        headers = {
            "ETag": etag(_versions(row)),
            "Location": reverse("calendar", kwargs={"id": row.pk}),
            "Cache-Control": "no-store",
        }
        body = {**CalendarSerializer(row).data, "address": address}
        return Response(body, status=201, headers=headers)


class CalendarView(ApiView):
    specs = {
        "get": Spec(ABILITY, answer=CalendarSerializer),
        "delete": Spec(ABILITY, status=204, if_match=True),
    }

    def get(self, request: Request, id: int) -> Response:  # noqa: A002, ARG002 - it is the id of an address
        """A calendar of one's own, without its address."""
        row = calendar_for(principal=self.principal, id=id)
        return Response(CalendarSerializer(row).data, headers={"ETag": etag(_versions(row))})

    def delete(self, request: Request, id: int) -> Response:  # noqa: A002
        """Remove it: from now on its address answers 404."""
        row = calendar_for(principal=self.principal, id=id)
        require_match(request, _versions(row))
        calendar_remove(calendar=row)
        return Response(status=204)


def _versions(row: Calendar) -> Versions:
    # It is made and removed, and never changed
    return {f"calendar/{row.pk}": 1}
