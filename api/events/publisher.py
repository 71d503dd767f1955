"""The publisher: gives committed events their places in the feed.

Events are written by many transactions at once, and a row that was written first may be committed last. So
they are numbered afterwards, by one process at a time: a reader who has seen a number has seen all below it.
"""

from __future__ import annotations

import datetime as dt
import time
import uuid
from collections import Counter
from collections.abc import Callable, Iterator
from typing import Any, Final

import structlog
from django.db import DatabaseError, InterfaceError, connection, transaction
from django.db.models import QuerySet
from django.utils import timezone

from sites.models import Event, Feed

log = structlog.get_logger(__name__)

MOST_AT_ONCE: Final = 5_000
KEPT_FOR: Final = dt.timedelta(days=60)
# Not among the keys of claims, which are far larger (zones/recheck/claims.py)
_KEY: Final = "hashtext('zonebook feed')"
_LOCK: Final = f"SELECT pg_advisory_xact_lock({_KEY})"
_TRY_LOCK: Final = f"SELECT pg_try_advisory_xact_lock({_KEY})"

_NOW: Final = """
    SELECT epoch, database = this, this, began_after, published, forgotten, held_since
    FROM (SELECT format('%s/%s/%s', (SELECT system_identifier FROM pg_control_system()),
                        (SELECT oid FROM pg_database WHERE datname = current_database()),
                        (SELECT timeline_id FROM pg_control_checkpoint())) AS this) AS here
         LEFT JOIN feed ON true
"""
"""The feed, and whether this is the database of its epoch: its cluster, its id there, and its history since
the last restore."""

_COUNT: Final = """
    INSERT INTO event_subject AS known (subject, published)
        SELECT * FROM unnest(%s::text[], %s::bigint[])
    ON CONFLICT (subject) DO UPDATE SET published = known.published + excluded.published
    RETURNING subject, published
"""
_NUMBER: Final = """
    UPDATE event SET sequence = %s + place, subject_number = number, uid = gen_random_uuid(),
                     published_at = statement_timestamp()
    FROM unnest(%s::bigint[], %s::bigint[]) WITH ORDINALITY AS waiting (id, number, place)
    WHERE event.id = waiting.id
"""


def feed_now() -> Feed:
    """How far the feed has come, in its present epoch; a new one begins where this is another database."""
    with connection.cursor() as cursor:
        feed = _read(cursor)
        if feed is not None:
            return feed
        with transaction.atomic():
            cursor.execute(_LOCK)
            return _read(cursor) or _begin_epoch(cursor)


def published_until() -> int:
    """The last sequence."""
    return Feed.objects.values_list("published", flat=True).first() or 0


def watch_feed(needed: Callable[[], bool], *, every_s: float) -> Iterator[int]:
    """While it is needed, look how far the feed has come, and yield that. For a thread of its own: it keeps a
    connection to the database, in no transaction. Who waits while the database is away is told in the end."""
    try:
        while needed():
            try:
                yield published_until()
                time.sleep(every_s)
            except (DatabaseError, InterfaceError) as error:
                log.warning("the feed cannot be watched", why=str(error).strip())
                connection.close()
                time.sleep(max(every_s, 1.0))
    finally:
        connection.close()


def publish(*, most: int = MOST_AT_ONCE) -> int:
    """Number the events that are committed and have no number yet; returns how many. A chore of the sweep.

    1. One process at a time: another one leaves it to that one.
    2. What waits is read after the lock is taken, so without what the last process numbered.
    3. What is committed after that is left to the next call.
    """
    if not _waiting().exists():
        return 0
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(_TRY_LOCK)
        if not cursor.fetchone()[0]:
            return 0
        feed = _read(cursor) or _begin_epoch(cursor)
        waiting = list(_waiting().values_list("id", "subject")[:most])
        counts = Counter(subject for _, subject in waiting)
        cursor.execute(_COUNT, [sorted(counts), [counts[subject] for subject in sorted(counts)]])
        last = {subject: published - counts[subject] for subject, published in cursor.fetchall()}
        numbers = []
        for _, subject in waiting:
            last[subject] += 1
            numbers.append(last[subject])
        cursor.execute(_NUMBER, [feed.published, [event_id for event_id, _ in waiting], numbers])
        Feed.objects.update(published=feed.published + len(waiting))
        return len(waiting)


def _waiting() -> QuerySet[Event]:
    return Event.objects.filter(sequence__isnull=True).order_by("id")


def new_epoch() -> Feed:
    """Begin a new epoch by hand: of a copy of the database's files, which looks like the database itself."""
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(_LOCK)
        return _begin_epoch(cursor)


def release() -> bool:
    """Let events be pushed again; False: they were."""
    return Feed.objects.filter(held_since__isnull=False).update(held_since=None) > 0


def forget_events(*, now: dt.datetime | None = None, most: int = MOST_AT_ONCE) -> int:
    """Delete the oldest events, published too long ago to be kept; returns how many. A chore of the sweep."""
    before = (now or timezone.now()) - KEPT_FOR
    oldest = Event.objects.filter(sequence__isnull=False).order_by("sequence")
    first = oldest.values_list("published_at", flat=True).first()
    if first is None or first >= before:
        return 0
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(_LOCK)
        old = [
            sequence
            for sequence, published_at in oldest.values_list("sequence", "published_at")[:most]
            if published_at is not None and published_at < before
        ]
        if not old:
            return 0
        Feed.objects.update(forgotten=old[-1])
        return Event.objects.filter(sequence__lte=old[-1]).delete()[1].get(Event._meta.label, 0)


def _read(cursor: Any) -> Feed | None:
    """None: there is no feed in this database yet."""
    cursor.execute(_NOW)
    epoch, here, this, began_after, published, forgotten, held_since = cursor.fetchone()
    if epoch is None or not here:
        return None
    return Feed(
        id=Feed.THE_ONE, epoch=epoch, database=this, began_after=began_after, published=published,
        forgotten=forgotten, held_since=held_since,
    )  # fmt: skip


def _begin_epoch(cursor: Any) -> Feed:
    cursor.execute(_NOW)
    this = cursor.fetchone()[2]
    feed, _ = Feed.objects.get_or_create(id=Feed.THE_ONE)
    first = feed.epoch is None
    feed.epoch, feed.database, feed.began_after = uuid.uuid4(), this, feed.published
    if not first and feed.held_since is None:
        feed.held_since = timezone.now()
    feed.save()
    if not first:
        log.warning("the feed begins a new epoch, and pushes are held", database=this, after=feed.published)
    return feed
