"""Claims: which process recomputes a site now.

A claim is a session advisory lock; even SIGKILL frees it. The connection holds it and not a transaction,
since the transaction that computes must begin after the claim: one begun before might not see what the last
holder wrote. A pooler between us and the database must therefore keep sessions.

A process that is frozen (SIGSTOP, a paused virtual machine) keeps its connection, and would keep its claims.
So a session that holds claims has a heartbeat, an empty statement from a thread of its own, however long the
computing between two statements takes. Where none comes for ``settings.CLAIM_TIMEOUT_S``, PostgreSQL ends the
session (``idle_session_timeout``, ``idle_in_transaction_session_timeout``), and with it claims and
transaction. It does not where it waits in the middle of a statement for its client; ``report_silent`` ends
those.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import psycopg
import structlog
from django.conf import settings
from django.db import DatabaseError, connection
from psycopg.pq import TransactionStatus

from sites.models.changes import Mark

log = structlog.get_logger(__name__)

CLAIM_KEYS = 0x5AED << 40
"""Advisory locks are one space of 64-bit keys a database: a claim's is this plus the id of its site."""
BEATS = 6
"""Heartbeats in the time after which a silent session ends."""

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
_TRY = """
SELECT array_agg(s) FILTER (WHERE pg_try_advisory_lock(%(keys)s + s)),
    set_config('idle_session_timeout', %(limit)s, false),
    set_config('idle_in_transaction_session_timeout', %(limit)s, false)
FROM unnest(%(ids)s::bigint[]) AS s
"""
_WAIT = """
SELECT pg_advisory_lock(%(keys)s + %(id)s),
    set_config('idle_session_timeout', %(limit)s, false),
    set_config('idle_in_transaction_session_timeout', %(limit)s, false)
"""
_RELEASE = """
SELECT (SELECT count(pg_advisory_unlock(%(keys)s + s)) FROM unnest(%(ids)s::bigint[]) AS s),
    (SELECT count(set_config(name, reset_val, false)) FROM pg_settings
     WHERE name IN ('idle_session_timeout', 'idle_in_transaction_session_timeout'))
"""


@contextmanager
def claimed(lane: Mark.Lane, count: int) -> Iterator[list[int]]:
    """Up to ``count`` sites with marks in ``lane`` that no other process claims, until the block ends.

    1. Look for marked sites, in the order of their ids, past those already looked at.
    2. Try to lock each; a locked one is claimed by another process. The marks of one that could be locked may
       be gone by now, so the recheck reads them again, after the lock.
    3. Repeat until there are enough, or no more. This never waits for a lock, so it cannot deadlock.
    """
    with _released() as session:
        after = 0
        while len(session.held) < count:
            with connection.cursor() as cursor:
                wanted = count - len(session.held)
                cursor.execute(_NEXT_MARKED, {"lane": lane, "after": after, "count": wanted})
                marked = [site_id for (site_id,) in cursor.fetchall()]
                if marked:
                    session.try_claim(cursor, marked)
            if len(marked) < wanted:
                break
            after = marked[-1]
        yield list(session.held)


@contextmanager
def claimed_sites(site_ids: Sequence[int]) -> Iterator[list[int]]:
    """These sites, claimed until the block ends; waits for other processes that claim one of them.

    Locked in the order of their ids: a process that waits holds only lower ones, so there is no deadlock.
    """
    with _released() as session:
        with connection.cursor() as cursor:
            for site_id in sorted(set(site_ids)):
                session.wait_for(cursor, site_id)
        yield list(session.held)


class _Session:
    """The claims of this thread's connection, and the heartbeat that keeps them."""

    def __init__(self) -> None:
        self.held: list[int] = []
        self._over = threading.Event()
        self._heart: threading.Thread | None = None
        self._said: dict[str, Any] = {"keys": CLAIM_KEYS, "limit": f"{settings.CLAIM_TIMEOUT_S * 1000:.0f}"}

    def try_claim(self, cursor: Any, site_ids: Sequence[int]) -> None:
        cursor.execute(_TRY, self._said | {"ids": list(site_ids)})
        self.held += cursor.fetchone()[0] or []
        self._beat()

    def wait_for(self, cursor: Any, site_id: int) -> None:
        cursor.execute(_WAIT, self._said | {"id": site_id})
        self.held.append(site_id)
        self._beat()

    def _beat(self) -> None:
        if self._heart is None:
            self._heart = threading.Thread(
                target=_beat_until,
                args=(self._over, connection.connection, settings.CLAIM_TIMEOUT_S / BEATS),
                name="heartbeat of claims",
                daemon=True,
            )
            self._heart.start()

    def release(self) -> None:
        self._over.set()
        if self._heart is None:
            return
        self._heart.join()
        with connection.cursor() as cursor:
            cursor.execute(_RELEASE, {"keys": CLAIM_KEYS, "ids": self.held})


def _beat_until(over: threading.Event, session: psycopg.Connection[Any], every_s: float) -> None:
    """Send an empty statement at times. It takes no snapshot, so the transaction that it falls into sees
    nothing earlier than it would; the session's own lock keeps it out of another statement."""
    while not over.wait(every_s):
        # A session at work needs none, and in the middle of a COPY would refuse it
        if session.info.transaction_status is not TransactionStatus.ACTIVE:
            with contextlib.suppress(psycopg.Error):  # the next user of the session gets the same error
                session.execute("")


@contextmanager
def _released() -> Iterator[_Session]:
    """Release the claims of the session at the end, also after an error."""
    session = _Session()
    try:
        yield session
    finally:
        try:
            session.release()
        except DatabaseError:
            connection.close()  # the end of a session frees its locks


def report_silent() -> None:
    """Log the sessions that hold claims and have missed two heartbeats; end those silent for the whole time,
    which PostgreSQL itself ends unless they are in the middle of a statement."""
    limit_s = settings.CLAIM_TIMEOUT_S
    with connection.cursor() as cursor:
        cursor.execute(
            """WITH silent AS (
                   SELECT pid, application_name, clock_timestamp() - state_change AS since
                   FROM pg_stat_activity
                   WHERE datname = current_database() AND usename = current_user
                       AND pid <> pg_backend_pid()
                       AND wait_event_type = 'Client'
                       AND state_change < clock_timestamp() - %(noticed)s * interval '1 second'
               ), claiming AS (
                   SELECT pid, count(*) AS sites FROM pg_locks
                   WHERE locktype = 'advisory' AND objsubid = 1 AND granted
                       AND (classid::bigint << 32 | objid::bigint) >> 40 = %(keys)s >> 40
                   GROUP BY pid
               )
               SELECT application_name, sites, extract(epoch FROM since)::float8,
                   CASE WHEN since > %(limit)s * interval '1 second' THEN pg_terminate_backend(pid)
                       ELSE false END
               FROM silent JOIN claiming USING (pid)""",
            {"noticed": limit_s * 2 / BEATS, "limit": limit_s, "keys": CLAIM_KEYS},
        )
        for process, sites, silent_s, ended in cursor.fetchall():
            log.warning(
                "a process holds claims and does not answer",
                process=process, sites=sites, silent_s=round(silent_s, 1), ends_after_s=limit_s, ended=ended,
            )  # fmt: skip
