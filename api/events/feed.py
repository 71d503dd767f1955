"""The feed: published events in their order, from where a reader stopped.

A cursor names the epoch and the last event that was read. It is encrypted, so nobody counts the events of
others by it, and it outlives the token that it was given to.
"""

from __future__ import annotations

import uuid
from base64 import urlsafe_b64encode
from collections.abc import Collection
from dataclasses import dataclass
from typing import Any, Final

import orjson
from cryptography.fernet import Fernet, InvalidToken
from django.db.models import QuerySet, TextField
from django.db.models.expressions import RawSQL
from django.utils.crypto import salted_hmac

from sites.access.scope import Scope, scoped
from sites.models import Event, Feed

SALT: Final = "zonebook.feed"
SOURCE: Final = "/api/v1"
LARGEST_PAGE_BYTES: Final = 8 * 1024 * 1024

_WITHOUT_TELEPHONES: Final = """
    CASE jsonb_typeof(event.body -> 'contacts') WHEN 'array' THEN
        jsonb_set(event.body #- '{site,out_of_hours_phone}', '{contacts}', (
            SELECT coalesce(jsonb_agg(one - 'phone' ORDER BY place), '[]')
            FROM jsonb_array_elements(event.body -> 'contacts') WITH ORDINALITY AS each (one, place)))
    ELSE event.body #- '{site,out_of_hours_phone}' END
"""


class CursorGoneError(Exception):
    """The events after this cursor cannot all be read: it is of another epoch, or of too long ago."""


class CursorInvalidError(Exception):
    """This is not a cursor of the feed."""


@dataclass(frozen=True)
class Page:
    """events: each as JSON (CloudEvents 1.0), oldest first. last: the place up to which the reader has read.
    more: whether more are there now."""

    events: list[bytes]
    last: int
    more: bool


def cursor_at(feed: Feed, sequence: int) -> str:
    assert feed.epoch is not None
    return _encryption().encrypt(orjson.dumps([feed.epoch.hex, sequence])).decode()


def place_of(cursor: str, feed: Feed) -> int:
    """The sequence after which a cursor reads on."""
    try:
        epoch, sequence = orjson.loads(_encryption().decrypt(cursor))
        same = uuid.UUID(hex=epoch) == feed.epoch
    except (InvalidToken, ValueError) as error:
        raise CursorInvalidError from error
    if not same or not feed.forgotten <= sequence <= feed.published:
        raise CursorGoneError
    place: int = sequence
    return place


def _encryption() -> Fernet:
    return Fernet(urlsafe_b64encode(salted_hmac(SALT, "cursor", algorithm="sha256").digest()))


def read(
    feed: Feed,
    after: int,
    *,
    scope: Scope,
    most: int,
    kinds: Collection[str] = (),
    telephones: bool = False,
) -> Page:
    """The events in scope after a place, up to where the feed was read."""
    rows = scoped(Event, scope).filter(sequence__gt=after, sequence__lte=feed.published)
    if kinds:
        rows = rows.filter(kind__in=sorted(kinds))
    found = list(with_text(rows, telephones=telephones).order_by("sequence")[: most + 1])
    events: list[bytes] = []
    size = 0
    for row in found[:most]:
        event = cloud_event(row)
        size += len(event)
        if events and size > LARGEST_PAGE_BYTES:
            break
        events.append(event)
    more = len(found) > len(events)
    last = found[len(events) - 1].sequence if more else feed.published
    return Page(events, last or 0, more)


def cloud_event(row: Any) -> bytes:
    """An event as JSON, as the feed and a push send it."""
    return orjson.dumps(
        {
            "specversion": "1.0",
            "id": str(row.uid),
            "source": SOURCE,
            "type": row.kind,
            "subject": row.subject,
            "time": row.happened_at.isoformat().replace("+00:00", "Z"),
            "sequence": f"{row.subject_number:012}",
            **({"casekey": row.case_key} if row.case_key else {}),
            "datacontenttype": "application/json",
            "data": orjson.Fragment(row.text),
        }
    )


def with_text(rows: QuerySet[Event], *, telephones: bool) -> QuerySet[Event]:
    """Rows as `cloud_event` takes them: the database writes their bodies as JSON."""
    body = "event.body" if telephones else _WITHOUT_TELEPHONES
    text: Any = RawSQL(f"({body})::text", (), output_field=TextField())  # noqa: S611 - from this file
    return rows.defer("body").annotate(text=text)
