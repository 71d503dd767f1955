"""Pages by keyset: a page starts after the last row's (sort key, id), so rows written meanwhile shift
nothing.

The cursor is signed and bound to the list it came from, its filters and order, and the scope of the
caller; on any other list it is refused rather than answered with the wrong rows. (The framework's own cursor
repeats or leaves out rows where many share a sort key, and is bound to nothing.)"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator
from datetime import date, datetime
from operator import attrgetter
from typing import Any, Final

from django.core import signing
from django.db.models import CharField, F, Q, QuerySet
from django.db.models.constants import LOOKUP_SEP
from django.db.models.functions import Lower
from rest_framework.pagination import BasePagination
from rest_framework.request import Request
from rest_framework.response import Response

from sites.changes.errors import Problem

from .filters import LARGEST_COUNT, filter_names
from .problems import invalid
from .serializers import model_field

SALT: Final = "zonebook.cursor"
SORT_KEY: Final = "sort_key"


class KeysetPagination(BasePagination):
    """One page of a list, in the order that the query names: by one of the view's `ordering_fields`, each a
    field or a lookup through foreign keys, then by id."""

    body: dict[str, Any]
    _bound_to: str
    _key: str = SORT_KEY

    def paginate_queryset(self, queryset: Any, request: Request, view: Any = None) -> list[Any]:
        """The rows after the cursor (from the beginning without one); what follows is for the response.
        queryset: or a list of rows that were computed, none of which lacks a sort key."""
        asked, filters = view.asked, filter_names(view.filterset_class)
        name = view.query.sort(filters, view.ordering, view.principal.scope)
        path, descending, size = (
            view.ordering_fields[name.removeprefix("-")],
            name[0] == "-",
            asked["page_size"],
        )
        bound_to = _binding(
            path=request.path,
            order=name,
            filters={key: asked[key] for key in filters if key in asked},
            scope=view.principal.scope.fingerprint(),
        )
        after = _read(asked["cursor"], bound_to) if "cursor" in asked else None
        self._bound_to = bound_to
        # One row more than asked for shows whether another page follows
        found: list[Any] = []
        if isinstance(queryset, list):
            found = _rows_after(queryset, path, after, descending=descending)[: size + 1]
        else:
            nullable = _is_nullable(queryset.model, path) and not view.always_has(path)
            rows = queryset
            if path == "id":
                self._key = "id"
            else:
                rows = rows.annotate(**{SORT_KEY: _sort_key(rows.model, path)})
            names = dict.fromkeys((self._key, "id"))
            rows = rows.order_by(*(("-" if descending else "") + name for name in names))
            for part in _parts(rows, self._key, after, nullable=nullable, descending=descending):
                found += part[: size + 1 - len(found)] if len(found) <= size else ()
        page = found[:size]
        self.body = {"next": None}
        if len(found) > size:
            self.end_after(page[-1])
        if asked["count"]:
            is_list = isinstance(queryset, list)
            counted = len(queryset) if is_list else queryset.order_by()[: LARGEST_COUNT + 1].count()
            self.body |= {"count": min(counted, LARGEST_COUNT), "count_is_capped": counted > LARGEST_COUNT}
        return page

    def end_after(self, row: Any) -> None:
        """The page ends with this row, and another follows."""
        self.body["next"] = _write(getattr(row, self._key), row.pk, self._bound_to)

    def get_paginated_response(self, data: Any) -> Response:
        return Response({"items": data, **self.body})

    def get_paginated_response_schema(self, schema: dict[str, Any]) -> dict[str, Any]:
        next_page = {"type": ["string", "null"], "description": "Send it as `cursor` for what follows."}
        count = {"type": "integer", "maximum": LARGEST_COUNT, "description": "With `count=true`."}
        capped = f"With `count=true`: there are more than {LARGEST_COUNT}."
        return {
            "type": "object",
            "required": ["items", "next"],
            "properties": {
                "items": schema,
                "next": next_page,
                "count": count,
                "count_is_capped": {"type": "boolean", "description": capped},
            },
        }


def _sort_key(model: Any, path: str) -> Any:
    """What the list is sorted by: texts without regard to capital letters, as their unique keys have them."""
    field, of = None, model
    for name in path.split(LOOKUP_SEP):
        field = model_field(of, name)
        of = getattr(field, "related_model", None)
    return Lower(F(path)) if isinstance(field, CharField) else F(path)


def _is_nullable(model: Any, path: str) -> bool:
    """Whether a sort key can be null; annotated ones cannot."""
    if LOOKUP_SEP in path or model_field(model, path) is None:
        return False
    return bool(model_field(model, path).null)


def _binding(**parts: Any) -> str:
    """A short digest of everything that a cursor belongs to."""
    text = json.dumps(parts, sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:20]


def _parts(
    rows: QuerySet[Any], key: str, after: tuple[Any, int] | None, *, nullable: bool, descending: bool
) -> Iterator[QuerySet[Any]]:
    """The rows after a cursor, in the order in which they come: those without a sort key last, whichever the
    direction. They are asked for by themselves, so that one index serves both parts in both directions."""
    beyond, from_here = ("lt", "lte") if descending else ("gt", "gte")
    value, row_id = after or (None, None)
    if after is None or value is not None:
        first = rows.filter(**{f"{key}__isnull": False}) if nullable else rows
        if after is not None:
            # The first condition alone bounds an index scan; the second drops the rows already shown
            first = first.filter(
                Q(**{f"{key}__{beyond}": value}) | Q(**{f"id__{beyond}": row_id}),
                **{f"{key}__{from_here}": value},
            )
        yield first
    if nullable:
        last = rows.filter(**{f"{key}__isnull": True})
        yield last if after is None or value is not None else last.filter(**{f"id__{beyond}": row_id})


def _rows_after(
    rows: Iterable[Any], path: str, after: tuple[Any, int] | None, *, descending: bool
) -> list[Any]:
    """Computed rows after a cursor, in order."""
    for row in rows:
        value = attrgetter(path.replace(LOOKUP_SEP, "."))(row)
        setattr(row, SORT_KEY, value.lower() if isinstance(value, str) else value)
    found = sorted(rows, key=_place, reverse=descending)
    if after is None:
        return found
    return [row for row in found if (_place(row) < after if descending else _place(row) > after)]


def _place(row: Any) -> tuple[Any, int]:
    return getattr(row, SORT_KEY), row.pk


def _write(value: Any, row_id: int, bound_to: str) -> str:
    kind = "time" if isinstance(value, datetime) else "day" if isinstance(value, date) else ""
    return signing.dumps([bound_to, kind, value.isoformat() if kind else value, row_id], salt=SALT)


def _read(cursor: str, bound_to: str) -> tuple[Any, int]:
    try:
        bound, kind, value, row_id = signing.loads(cursor, salt=SALT)
    except (signing.BadSignature, ValueError) as error:
        raise _refused("This cursor is not one of this service, or not whole.") from error
    if bound != bound_to:
        raise _refused(
            "This cursor belongs to another list, filter, order or scope. "
            "Leave it out to start from the beginning."
        )
    if kind == "time":
        value = datetime.fromisoformat(value)
    elif kind == "day":
        value = date.fromisoformat(value)
    return value, row_id


def _refused(detail: str) -> Exception:
    return invalid([Problem(detail, "cursor", "cursor")], in_query=True)
