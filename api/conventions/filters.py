"""The queries of one thing and of a list: filters, order, page, fields and expansions."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from typing import Any, ClassVar, Final

from django.db.models import F, Q, QuerySet, Value
from django.db.models.functions import Lower
from django.db.models.lookups import Exact
from rest_framework import serializers
from rest_framework.filters import BaseFilterBackend
from rest_framework.request import Request

from sites.access.scope import Scope
from sites.changes.errors import Problem
from sites.wording import did_you_mean, listed, shortened

from . import fields
from .problems import invalid
from .serializers import QuerySerializer, ResourceSerializer

LARGEST_PAGE: Final = 500
USUAL_PAGE: Final = 100
LONGEST_CURSOR: Final = 4000
# Counting further would cost more than the number is worth
LARGEST_COUNT: Final = 10_000


class Names(fields.Text):
    """Some of the names in `allowed`, with commas between them."""

    def __init__(self, allowed: Iterable[str], **kwargs: Any) -> None:
        self.allowed = tuple(allowed)
        # Each once, with a comma and spaces
        kwargs.setdefault("max_length", sum(len(name) + 4 for name in self.allowed) + 100)
        super().__init__(**kwargs)

    def to_internal_value(self, data: Any) -> tuple[str, ...]:  # type: ignore[override]
        names = dict.fromkeys(name.strip() for name in super().to_internal_value(data).split(","))
        for name in names:
            if name not in self.allowed:
                raise serializers.ValidationError(
                    f"There is no {shortened(name)!r} here.{did_you_mean(name, self.allowed)} "
                    f"There are: {listed(sorted(self.allowed), most=40) or 'none'}.",
                    code="unknown",
                )
        return tuple(names)


class FilterSet(QuerySerializer):
    """The filters of a list, all of them optional. A filter's `source` is its lookup, by default its own
    name; what no lookup can express has a method ``filter_NAME(rows, value)``.

    No list may cost more the more sites there are. So a user who sees all customers names a site, a customer
    or something of one, unless an index serves order and filters over all of them (``across``)."""

    leading: ClassVar[frozenset[str]] = frozenset()
    """Filters that lead to few rows, on any site; those by the id of something of a site or customer
    do so anyway."""
    shared: ClassVar[frozenset[str]] = frozenset({"model_id"})
    """Filters by the id of something that all customers share."""
    across: ClassVar[Mapping[str, tuple[str, ...]] | None] = None
    """By order, the filters that an index serves in it over all sites; None: the list has nothing of
    sites."""

    def __init_subclass__(cls, **kwargs: Any) -> None:
        field: Any
        for field in cls._declared_fields.values():
            made_with = field._kwargs  # noqa: SLF001 - what the library copies the field from
            if "default" not in made_with:
                made_with.setdefault("required", False)
        super().__init_subclass__(**kwargs)

    def to_internal_value(self, data: Any) -> dict[str, Any]:
        values = super().to_internal_value(data)
        named = {name: str(field.source) for name, field in self.fields.items()}
        return {name: values[source] for name, source in named.items() if source in values}

    def sort(self, names: Sequence[str], usual: str, scope: Scope) -> str:
        """The order of a list with the filters ``names``: the one asked for, else the usual one, or the first
        that an index serves with these filters. Raises a 400 where the list would have to look through all
        sites."""
        asked: str | None = self.validated_data.get("order")
        given = [name for name in names if name in self.initial_data]
        if self.across is None or not scope.is_everything or any(map(self.leads, given)):
            return asked or usual
        sparse = [name for name in given if self.is_sparse(name)]
        for order in self._orders(usual) if asked is None else (asked,):
            served = self.across.get(order.removeprefix("-"))
            if served is not None and {*sparse} <= {*served}:
                return order
        leading = [name for name in names if self.leads(name)]
        raise invalid([self._unbound(sparse, asked, leading)], in_query=True)

    def _orders(self, usual: str) -> tuple[str, ...]:
        assert self.across is not None
        sign = "-" if usual.startswith("-") else ""
        return (usual, "id", *(f"{sign}{order}" for order in self.across))

    @classmethod
    def leads(cls, name: str) -> bool:
        """Whether a filter leads to something of one site or customer."""
        is_id = isinstance(cls._declared_fields[name], fields.Id)
        return name in cls.leading or (is_id and name not in cls.shared)

    def is_sparse(self, name: str) -> bool:  # noqa: ARG002 - others ask for its value
        """Whether a filter, as the query gives it, may leave few of many rows."""
        return True

    @classmethod
    def said_of_all(cls) -> str:
        """In words, the orders that go over all customers; blank: every one."""
        if cls.across is None:
            return ""
        orders = (f"{one} (with {', '.join(names)})" if names else one for one, names in cls.across.items())
        return (
            f" Over all customers by {'; '.join(orders)}, unless a filter names a site, a customer or "
            "something of one."
        )

    def _unbound(self, sparse: Sequence[str], asked: str | None, leading: Sequence[str]) -> Problem:
        """What to ask instead: something that leads to few rows, or another order."""
        assert self.across is not None
        orders = [order for order, served in self.across.items() if {*sparse} <= {*served}]
        if asked is not None and (orders or not sparse):
            name = "order"
        else:
            served = set().union(*self.across.values())
            name = next((name for name in sparse if name not in served), sparse[0])
        otherwise = f", or sort by {' or '.join(orders)}" if orders else ""
        detail = (
            f"You see all customers, and {name} goes with what one site or customer has: "
            f"give {' or '.join(leading)} too{otherwise}."
        )
        return Problem(detail, "unbound", name)

    def filter_queryset(self, rows: QuerySet[Any], names: Iterable[str]) -> QuerySet[Any]:
        """`rows`, filtered by those of `names` that the query gives."""
        lookups: dict[str, Any] = {}
        for name in names:
            if name not in self.validated_data:
                continue
            value, method = self.validated_data[name], getattr(self, f"filter_{name}", None)
            if method is None:
                lookups[str(self.fields[name].source)] = value
            else:
                rows = method(rows, value)
        return self.filter_lookups(rows, lookups) if lookups else rows

    def filter_lookups(self, rows: QuerySet[Any], lookups: Mapping[str, Any]) -> QuerySet[Any]:
        for lookup, value in lookups.items():
            path, _, kind = lookup.rpartition("__")
            if kind == "iexact":
                # In small letters, as the unique keys and the orders have them: Django's own is in capitals
                # That it is not blank leads to an index of those that are not
                rows = rows.filter(~Q(**{path: ""}), Exact(Lower(F(path)), Lower(Value(value))))
            else:
                rows = rows.filter(**{lookup: value})
        return rows


class FilterSetBackend(BaseFilterBackend):
    """Filters a list by the view's `filterset_class`, whose values the view has checked with the rest of its
    query."""

    def filter_queryset(self, request: Request, queryset: QuerySet[Any], view: Any) -> QuerySet[Any]:  # noqa: ARG002
        return view.query.filter_queryset(queryset, filter_names(view.filterset_class))  # type: ignore[no-any-return]


def filter_names(filterset: type[FilterSet]) -> tuple[str, ...]:
    return tuple(filterset._declared_fields)  # noqa: SLF001 - as the library calls it


@cache
def item_query(
    serializer: type[ResourceSerializer], base: type[QuerySerializer] = QuerySerializer
) -> type[QuerySerializer]:
    """The query of one thing: `base`, which fields, and which related things in full. Made once: making a
    serializer class takes longer than answering with it."""
    return type(f"{serializer.__name__}Query", (base,), _shown_fields(serializer))


@cache
def list_query(
    serializer: type[ResourceSerializer],
    filterset: type[FilterSet],
    orders: tuple[str, ...],
    usual_order: str,
) -> type[QuerySerializer]:
    """The query of a list."""
    page_fields: dict[str, Any] = {
        "page_size": fields.Whole(
            min_value=1, max_value=LARGEST_PAGE, default=USUAL_PAGE, help_text="How many items a page has."
        ),
        "cursor": fields.Text(
            required=False,
            max_length=LONGEST_CURSOR,
            help_text="`next` of the page before; leave it out to start from the beginning.",
        ),
        "count": fields.Flag(
            default=False,
            help_text=f"Also give the number of items, counted up to {LARGEST_COUNT}.",
        ),
        "order": fields.Choice(
            choices=[sign + name for name in orders for sign in ("", "-")],
            required=False,
            help_text=f"What the list is sorted by; - for descending. Left out: {usual_order}."
            f"{filterset.said_of_all()}",
        ),
    }
    return type(f"{serializer.__name__}ListQuery", (filterset,), page_fields | _shown_fields(serializer))


def _shown_fields(serializer: type[ResourceSerializer]) -> dict[str, Names]:
    # The metaclass takes declared fields out of the class body, so a field may well be called `fields`
    shown = {
        "fields": Names(
            serializer.field_names(),
            required=False,
            help_text="Only these fields, with commas between them; `id` is always there.",
        )
    }
    if serializer.expansions:
        shown["expand"] = Names(
            serializer.expansions,
            required=False,
            help_text="These related things in full, with commas between them.",
        )
    return shown
