"""A thousand events of the feed over HTTP, against the same rows read by the bare driver and written as JSON
by the fastest library there is."""

from __future__ import annotations

import http.client
from collections.abc import Iterator

import orjson
from django.db import connections
from psycopg.rows import dict_row

from api.events.feed import cursor_at
from api.events.publisher import feed_now, publish
from api.server.garbage import look_between_answers
from sites.access.services import token_make
from sites.models import User
from tests.bench.fleets import sizes, tidy
from tests.bench.lines import Line, compare
from tests.bench.listing import served
from tests.bench.publishing import write_events

NAME = "feed"
CASES = ("events",)
TOGETHER = False
GOAL = 3.0
EVENTS, ROUNDS = 1_000, 40

_ROWS = """SELECT uid, kind, subject, subject_number, case_key, happened_at, body
           FROM event WHERE sequence > %s ORDER BY sequence LIMIT %s"""


def cases(_wanted: tuple[str, ...], _sites: int) -> Iterator[Line]:
    while publish():
        pass
    before = feed_now().published
    write_events(3 * EVENTS)
    publish()
    tidy()
    user, _ = User.objects.get_or_create(
        username="bench", defaults={"role": User.Role.MANAGER, "all_customers": True}
    )
    _, secret = token_make(user=user, scopes=["events:read"])
    connections["default"].ensure_connection()
    driver = connections["default"].connection
    with served() as port:
        caller = http.client.HTTPConnection("127.0.0.1", port)

        def get(query: str) -> bytes:
            caller.request("GET", f"/api/v1/events?{query}", headers={"Authorization": f"Bearer {secret}"})
            answer = caller.getresponse()
            body = answer.read()
            if answer.status != 200:
                raise RuntimeError(f"{query} answered {answer.status}: {body.decode()}")
            return body

        # From what was written here
        asked = f"page_size={EVENTS}&after={cursor_at(feed_now(), before)}"

        def theirs() -> bytes:
            with driver.cursor(row_factory=dict_row) as rows:
                return orjson.dumps(rows.execute(_ROWS, [before, EVENTS]).fetchall())

        ours_shown, theirs_shown = orjson.loads(get(asked))["items"], orjson.loads(theirs())
        if [one["id"] for one in ours_shown] != [one["uid"] for one in theirs_shown]:
            raise RuntimeError("the feed does not show what was read")
        look_between_answers()
        yield compare(
            NAME, "events", lambda: get(asked), theirs, goal=GOAL,
            sizes={**sizes(), "events": EVENTS}, rounds=ROUNDS,
        )  # fmt: skip
        caller.close()
