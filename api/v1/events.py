"""The feed of events: what happened, oldest first, from where a program stopped reading."""

from __future__ import annotations

from typing import Any, Final

import orjson
from django.http import HttpResponse
from rest_framework import serializers
from rest_framework.request import Request

from api.conventions import fields
from api.conventions.filters import Names
from api.conventions.problems import GONE, ProblemError, invalid
from api.conventions.serializers import QuerySerializer
from api.conventions.views import ApiView, Spec
from api.events import feed as feeds
from api.events.publisher import feed_now
from api.events.waiting import came_again, wait_until
from sites.access.abilities import Ability
from sites.changes.errors import Problem
from sites.models import Feed
from zones.findings.event_kinds import EventKind

KINDS: Final = [kind.value for kind in EventKind]
MOST: Final = 1_000
LONGEST_WAIT_S: Final = 30


class EventQuery(QuerySerializer):
    after = fields.Text(max_length=200, required=False, help_text="`next` of the last answer.")
    start = fields.Choice(
        choices=["oldest", "now"],
        required=False,
        help_text="Without `after`: at the oldest event that is kept (so if left out), or at the next to "
        "come: then the answer is `next` alone, at once.",
    )
    wait = fields.Whole(
        min_value=0,
        max_value=LONGEST_WAIT_S,
        default=0,
        help_text="Seconds to wait for an event where there is none yet.",
    )
    kinds = Names(KINDS, required=False, help_text="Only these kinds, with commas between them.")
    telephones = fields.Flag(default=False, help_text="With telephone numbers.")
    page_size = fields.Whole(min_value=1, max_value=MOST, default=100, help_text="How many events at most.")


class EventSerializer(serializers.Serializer):
    """An event (CloudEvents 1.0, JSON). One that is sent twice has the same `id`."""

    specversion = fields.Text()
    id = fields.Text(help_text="A UUID.")
    source: Any = fields.Text()
    type = fields.Choice(choices=KINDS)
    subject = fields.Text(help_text="What it is about: a path below /api/v1/.")
    time = fields.Instant()
    sequence = fields.Text(help_text="Counts the events of this subject from 1, in twelve digits.")
    casekey = fields.Text(
        required=False, help_text="The same for all events of a case: open one ticket, close the same one."
    )
    datacontenttype = fields.Text()
    data: Any = serializers.DictField(help_text="What was so when it happened: all that a ticket needs.")


class EventsSerializer(serializers.Serializer):
    items = EventSerializer(many=True)
    next = fields.Text(help_text="Send it as `after`, always: it moves on past what you may not see.")
    more = fields.Flag(help_text="More events are there now.")


class EventListView(ApiView):
    """Cases opened, changed, acknowledged and cleared, sites taken over, change sets accepted and withdrawn,
    edits of the catalogue: each once, in an order that never changes, also when many write at once. Events
    are kept for 60 days."""

    specs = {"get": Spec(Ability.READ_EVENTS, query=EventQuery, answer=EventsSerializer, problems=(GONE,))}

    def get(self, request: Request) -> HttpResponse:
        """Read on after a cursor. With `wait`, an answer comes as soon as there is an event."""
        asked: Any = self.asked
        if "after" in asked and "start" in asked:
            problem = Problem("Give either `after` or `start`.", "conflict", "start")
            raise invalid([problem], in_query=True)
        feed = feed_now()
        after = self._after(feed)
        page = self._read(feed, after)
        if not page.events and asked["wait"] and asked.get("start") != "now":

            def something_new() -> bool:
                nonlocal feed, page
                now = feed_now()
                if now.published > feed.published:
                    feed, page = now, self._read(now, page.last)
                return bool(page.events)

            wait_until(
                request._request,  # noqa: SLF001 - the library's name for Django's
                asked["wait"],
                seen=feed.published,
                there=something_new,
            )
        body = b'{"items":[%b],"next":%b,"more":%b}' % (
            b",".join(page.events),
            orjson.dumps(feeds.cursor_at(feed, page.last)),
            b"true" if page.more else b"false",
        )
        return HttpResponse(body, content_type="application/json")

    def _after(self, feed: Feed) -> int:
        asked: Any = self.asked
        if "after" not in asked:
            return feed.published if asked.get("start") == "now" else feed.forgotten
        try:
            return feeds.place_of(asked["after"], feed)
        except feeds.CursorInvalidError:
            detail = (
                "This cursor is not one of this feed, or not whole. Send next of the last page as it came, "
                "or leave after out to begin with the oldest event."
            )
            problem = Problem(detail, "cursor", "after")
            raise invalid([problem], in_query=True) from None
        except feeds.CursorGoneError:
            raise _gone(feed) from None

    def _read(self, feed: Feed, after: int) -> feeds.Page:
        asked: Any = self.asked
        return feeds.read(
            feed,
            after,
            scope=self.principal.scope,
            most=asked["page_size"],
            kinds=asked.get("kinds", ()),
            telephones=asked["telephones"],
        )

    def check_throttles(self, request: Request) -> None:
        if not came_again(request._request):  # noqa: SLF001
            super().check_throttles(request)


def _gone(feed: Feed) -> ProblemError:
    """Where to start again: first read what is open, then go on from `now`; or read all that is kept."""
    return ProblemError(
        GONE,
        "The events after this cursor cannot all be read: the database was restored or replaced since, or "
        "they are kept no longer. Note `now`, read the open cases (GET /api/v1/cases), and read on after "
        "`now`; or read all that is kept, after `oldest`.",
        members={
            "now": feeds.cursor_at(feed, feed.published),
            "oldest": feeds.cursor_at(feed, feed.forgotten),
        },
    )
