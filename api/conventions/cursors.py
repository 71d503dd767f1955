"""Pages by keyset: a page goes on after the last row's (sort key, id), so rows written meanwhile shift
nothing.

The cursor is signed and bound to the list it came from, its filters and order, and the scope of the one who
asked; on any other list it is refused rather than answered with the wrong rows."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final, TypeVar

from django.core import signing
from django.db.models import F, Model, Q, QuerySet

from .problems import Place, invalid

M = TypeVar("M", bound=Model)

SALT: Final = "zonebook.cursor"
SORT_KEY: Final = "sort_key"


@dataclass(frozen=True)
class Order:
    """One order a list can have: rows by `path` (a field, or a lookup through foreign keys), then by id."""

    path: str
    nullable: bool = False


@dataclass(frozen=True)
class Page:
    items: list[Any]
    next: str | None


def binding(**parts: Any) -> str:
    """A short digest of everything that a cursor belongs to."""
    text = json.dumps(parts, sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:20]


def take_page(
    rows: QuerySet[M], *, order: Order, descending: bool, size: int, cursor: str | None, bound_to: str
) -> Page:
    """The `size` rows after `cursor` (from the beginning without one), and the cursor of what follows."""
    key = F(order.path)
    arranged = rows.annotate(**{SORT_KEY: key})
    if cursor is not None:
        arranged = arranged.filter(_after(*_read(cursor, bound_to), order=order, descending=descending))
    by_key = (
        F(SORT_KEY).desc(nulls_last=order.nullable or None)
        if descending
        else F(SORT_KEY).asc(nulls_last=order.nullable or None)
    )
    # One row more than asked for tells whether anything follows
    found = list(arranged.order_by(by_key, "-id" if descending else "id")[: size + 1])
    items = found[:size]
    following = None
    if len(found) > size:
        last = items[-1]
        following = _write(getattr(last, SORT_KEY), last.pk, bound_to)
    return Page(items, following)


def _after(value: Any, row_id: int, *, order: Order, descending: bool) -> Q:
    beyond, from_here = ("lt", "lte") if descending else ("gt", "gte")
    if value is None:  # nulls come last, by id
        return Q(**{f"{SORT_KEY}__isnull": True, f"id__{beyond}": row_id})
    # The first condition alone bounds an index scan; the second drops the rows already shown
    following = Q(**{f"{SORT_KEY}__{from_here}": value}) & (
        Q(**{f"{SORT_KEY}__{beyond}": value}) | Q(**{f"id__{beyond}": row_id})
    )
    return following | Q(**{f"{SORT_KEY}__isnull": True}) if order.nullable else following


_WRITERS: Final[Mapping[type, str]] = {datetime: "t", date: "d", str: "s", int: "i", float: "f", bool: "b"}


def _write(value: Any, row_id: int, bound_to: str) -> str:
    if value is None:
        kept: list[Any] = ["n", None]
    elif isinstance(value, datetime | date):
        kept = [_WRITERS[type(value)], value.isoformat()]
    else:
        kept = [_WRITERS[type(value)], value]
    return signing.dumps([bound_to, *kept, row_id], salt=SALT)


def _read(cursor: str, bound_to: str) -> tuple[Any, int]:
    try:
        bound, kind, value, row_id = signing.loads(cursor, salt=SALT)
    except (signing.BadSignature, ValueError) as error:
        raise _refused("This cursor was not given out here, or not whole.") from error
    if bound != bound_to:
        raise _refused(
            "This cursor belongs to another list, filter, order or scope. "
            "Leave it out to start from the beginning."
        )
    if kind == "t":
        value = datetime.fromisoformat(value)
    elif kind == "d":
        value = date.fromisoformat(value)
    return value, row_id


def _refused(detail: str) -> Exception:
    return invalid(Place(detail, code="cursor", parameter="cursor"))
