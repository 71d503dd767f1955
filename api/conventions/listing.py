"""Lists: what may be asked of one (page, order, filters, fields, expansions), each from a list of what is
allowed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any, ClassVar, Final

from django.db.models import QuerySet
from rest_framework import serializers

from . import fields
from .cursors import Order
from .representations import Representation
from .serializers import Query
from .suggestions import did_you_mean, listed

LARGEST_PAGE: Final = 500
USUAL_PAGE: Final = 100
# Counting further would cost more than the number is worth
LARGEST_COUNT: Final = 10_000

Lookup = str | Callable[[QuerySet[Any], Any], QuerySet[Any]]


class Names(fields.Text):
    """Some of the names in `allowed`, with commas between them."""

    def __init__(self, allowed: Iterable[str], **kwargs: Any) -> None:
        self.allowed = tuple(allowed)
        super().__init__(**kwargs)

    def to_internal_value(self, data: Any) -> tuple[str, ...]:  # type: ignore[override]
        names = dict.fromkeys(name.strip() for name in super().to_internal_value(data).split(","))
        for name in names:
            if name not in self.allowed:
                raise serializers.ValidationError(
                    f"There is no {name!r} here.{did_you_mean(name, self.allowed)} "
                    f"There are: {listed(self.allowed) or 'none'}.",
                    code="unknown",
                )
        return tuple(names)


class Filters(Query):
    """The filters of a list: its fields, and in `lookups` what each does to the rows."""

    lookups: ClassVar[Mapping[str, Lookup]] = {}

    @classmethod
    def applied(cls, rows: QuerySet[Any], asked: Mapping[str, Any]) -> QuerySet[Any]:
        """`rows` without those that a filter in `asked` leaves out."""
        for name, lookup in cls.lookups.items():
            if name not in asked:
                continue
            rows = (
                rows.filter(**{lookup: asked[name]}) if isinstance(lookup, str) else lookup(rows, asked[name])
            )
        return rows


def item_query(representation: type[Representation]) -> type[Query]:
    """What may be asked of one thing: which fields, and which related things in full."""
    return type(f"{representation.__name__}Query", (Query,), _shown_fields(representation))


def list_query(
    representation: type[Representation],
    filters: type[Filters],
    orders: Mapping[str, Order],
    usual_order: str,
) -> type[Query]:
    """What may be asked of a list."""
    words = [sign + name for name in orders for sign in ("", "-")]
    return type(
        f"{representation.__name__}ListQuery",
        (filters,),
        {
            "page_size": fields.Whole(
                min_value=1,
                max_value=LARGEST_PAGE,
                default=USUAL_PAGE,
                help_text="How many items a page has.",
            ),
            "cursor": fields.Text(
                required=False,
                help_text="`next` of the page before; leave it out to start from the beginning.",
            ),
            "count": fields.Flag(
                default=False,
                help_text=f"Also tell how many there are, counting no further than {LARGEST_COUNT}.",
            ),
            "order": fields.Choice(
                choices=words, default=usual_order, help_text="What the list is sorted by; - turns it around."
            ),
            **_shown_fields(representation),
        },
    )


def _shown_fields(representation: type[Representation]) -> dict[str, Names]:
    # The metaclass takes declared fields out of the class body, so a field may well be called `fields`
    shown = {
        "fields": Names(
            representation.Meta.fields,
            required=False,
            help_text="Only these fields, with commas between them; `id` is always there.",
        )
    }
    if representation.expansions:
        shown["expand"] = Names(
            representation.expansions,
            required=False,
            help_text="These related things in full, with commas between them.",
        )
    return shown
