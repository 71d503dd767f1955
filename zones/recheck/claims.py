"""Who recomputes which sites now: session advisory locks, which even SIGKILL frees.

A claim is held by the database connection and not by a transaction, since the transaction that computes must
begin after the claim: one begun before might not see what the last holder wrote. A pooler between us and the
database must therefore keep sessions.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from django.db import DatabaseError, connection

from sites.models.changes import Mark

CLAIM_KEYS = 0x5AED << 40
"""Advisory locks are one space of 64-bit keys a database: a claim's is this plus the id of its site."""

# Steps from site to site along the index (lane, site_id): the marks of a site are not read one by one
_NEXT_MARKED = """
WITH RECURSIVE marked AS (
    (SELECT site_id FROM mark WHERE lane = %(lane)s AND site_id > %(after)s ORDER BY site_id LIMIT 1)
    UNION ALL
    SELECT (
        SELECT m.site_id FROM mark m WHERE m.lane = %(lane)s AND m.site_id > marked.site_id
        ORDER BY m.site_id LIMIT 1
    ) FROM marked WHERE marked.site_id IS NOT NULL
)
SELECT site_id FROM marked WHERE site_id IS NOT NULL LIMIT %(count)s
"""


@contextmanager
def claimed(lane: Mark.Lane, count: int) -> Iterator[list[int]]:
    """Up to ``count`` sites with marks in ``lane`` that nobody else is at, claimed until the block ends.

    1. Look for marked sites, in the order of their ids, past those already looked at.
    2. Try to lock each; one that is locked is another's. Its marks may be gone by now: whoever recomputes
       reads the marks again, after the lock.
    3. Repeat until there are enough, or no more. Nobody ever waits, so nobody waits in a circle.
    """
    with _released() as held:
        after = 0
        while len(held) < count:
            with connection.cursor() as cursor:
                wanted = count - len(held)
                cursor.execute(_NEXT_MARKED, {"lane": lane, "after": after, "count": wanted})
                marked = [site_id for (site_id,) in cursor.fetchall()]
                if marked:
                    cursor.execute(
                        "SELECT s FROM unnest(%s::bigint[]) AS s WHERE pg_try_advisory_lock(%s + s)",
                        [marked, CLAIM_KEYS],
                    )
                    held += [site_id for (site_id,) in cursor.fetchall()]
            if len(marked) < wanted:
                break
            after = marked[-1]
        yield list(held)


@contextmanager
def claimed_sites(site_ids: Sequence[int]) -> Iterator[list[int]]:
    """These sites, claimed until the block ends; waits for whoever is at one of them.

    Taken in the order of their ids, and whoever waits holds only lower ones: nobody waits in a circle.
    """
    with _released() as held:
        with connection.cursor() as cursor:
            for site_id in sorted(set(site_ids)):
                cursor.execute("SELECT pg_advisory_lock(%s)", [CLAIM_KEYS + site_id])
                held.append(site_id)
        yield list(held)


@contextmanager
def _released() -> Iterator[list[int]]:
    """What is put into the list is let go at the end, whatever happened."""
    held: list[int] = []
    try:
        yield held
    finally:
        try:
            if held:
                with connection.cursor() as cursor:
                    cursor.execute(
                        "SELECT pg_advisory_unlock(%s + s) FROM unnest(%s::bigint[]) AS s", [CLAIM_KEYS, held]
                    )
        except DatabaseError:
            connection.close()  # the end of a session frees its locks
