"""Events numbered by the publisher, against plain UPDATEs of as many rows."""

from __future__ import annotations

import time
from collections.abc import Iterator
from statistics import median

from django.db import connection

from api.events.publisher import feed_now, publish
from sites.models import Event, Site
from tests.bench.fleets import sizes, tidy
from tests.bench.lines import Line, line

NAME = "publish"
CASES = ("events",)
TOGETHER = False
GOAL = 2.0
EVENTS, ROUNDS, SUBJECTS = 5_000, 9, 400
BODY_KB = 4
"""Size of a body, like that of a case."""

_WRITE = """
    INSERT INTO event (kind, customer_id, site_id, subject, case_key, body, happened_at)
    SELECT 'case.changed', customer_id, site.id, 'cases/' || n %% %(subjects)s, 'key', jsonb_build_object(
               'site', jsonb_build_object('name', site.name), 'contacts', '[]'::jsonb,
               'text', (SELECT string_agg(md5(n::text || k), ' ') FROM generate_series(1, 32 * %(kb)s) AS k)),
           now()
    FROM generate_series(1, %(events)s) AS n, (SELECT * FROM site WHERE id = %(site)s) AS site
"""
_PLAIN = """
    UPDATE event SET sequence = -id, subject_number = 1, uid = gen_random_uuid(),
                     published_at = statement_timestamp()
    WHERE sequence IS NULL
"""


def write_events(count: int) -> None:
    site = Site.objects.earliest("id")
    with connection.cursor() as cursor:
        cursor.execute(_WRITE, {"subjects": SUBJECTS, "kb": BODY_KB, "events": count, "site": site.pk})
        cursor.execute("ANALYZE event")


def cases(_wanted: tuple[str, ...], _sites: int) -> Iterator[Line]:
    while publish():  # what the fleet left
        pass
    feed_now()
    tidy()
    ours, theirs = [], []
    for _ in range(ROUNDS):
        write_events(EVENTS)
        ours.append(_timed(lambda: publish(most=EVENTS)))
        assert not Event.objects.filter(sequence__isnull=True).exists()
        write_events(EVENTS)
        theirs.append(_timed(_plain))
    yield line(NAME, "events", median(ours), median(theirs), goal=GOAL, sizes={**sizes(), "events": EVENTS})


def _plain() -> int:
    with connection.cursor() as cursor:
        cursor.execute(_PLAIN)
        count: int = cursor.rowcount
        return count


def _timed(act: object) -> float:
    began = time.perf_counter()
    done = act()  # type: ignore[operator]
    took = time.perf_counter() - began
    assert done == EVENTS
    return took
