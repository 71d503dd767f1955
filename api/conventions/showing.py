"""Showing many things of a kind, fast: what a list is made of.

The library asks each field of each thing for its value, and then how to show it. Most values are columns and
need no change. So plain values are read in one step, and a field is asked only where it changes one: of a
column once for each value, since most hold few."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import date, datetime
from functools import cached_property
from itertools import islice, repeat
from operator import attrgetter, itemgetter
from typing import Any, Final, NamedTuple

from django.core.exceptions import ObjectDoesNotExist
from django.db.models import Manager
from rest_framework import serializers
from rest_framework.fields import SkipField, empty

_SHOWN_AS_THEY_ARE: Final = {
    serializers.IntegerField.to_representation: int,
    serializers.BigIntegerField.to_representation: int,
    serializers.FloatField.to_representation: float,
    serializers.CharField.to_representation: str,
    serializers.BooleanField.to_representation: bool,
    serializers.ChoiceField.to_representation: str,
}
"""By how a field shows, the type of the values that it does not change."""

_ALIKE_IF_EQUAL: Final = frozenset({int, str, bool, date, datetime})
"""Types of columns whose equal values are shown alike. Of floats zero has a sign, and in what JSON holds 1
equals true."""

_NOT_THERE: Final = (AttributeError, KeyError, ObjectDoesNotExist)


_Maker = Callable[[Iterable[Sequence[Any]]], list[dict[str, Any]]]
"""Makes objects of rows of values."""


class _Shown(NamedTuple):
    """A field of an answer. already: the type of the values that it shows as they are. column: the type of
    the values of its column; None: it is none. is_plain: it is read and nothing else. default: how its
    default is shown, where a thing need not have it."""

    name: str
    source: str
    field: Any
    already: type | None
    column: type | None
    is_plain: bool
    default: Any

    def of(self, thing: Any) -> Any:
        """As the library shows it. Raises SkipField if the thing lacks it and may."""
        value = self.field.get_attribute(thing)
        return None if value is None else self.field.to_representation(value)

    def of_column(self, values: Sequence[Any]) -> Iterable[Any]:
        """The values of a column as they are shown."""
        if self.already is not None and self.already == self.column:
            return values
        change = self.field.to_representation
        if self.column not in _ALIKE_IF_EQUAL:
            return [None if value is None else change(value) for value in values]
        shown = {value: None if value is None else change(value) for value in {*values}}
        return map(shown.__getitem__, values)

    def of_read(self, values: Sequence[Any], things: Sequence[Any]) -> Iterable[Any]:
        """The values that were read of things as they are shown."""
        if isinstance(self.field, PlainSerializer | PlainListSerializer) and not any(map(callable, values)):
            return self.field.show_each(values)
        already, change = self.already, self.field.to_representation
        return [
            value
            if value is None or type(value) is already
            else self.of(thing)
            if callable(value)
            else change(value)
            for value, thing in zip(values, things, strict=True)
        ]


class _Way(NamedTuple):
    """One way to show things of a kind. own: the plain fields that are a row's own columns; places: which of
    them. read: the other plain fields, which `get` reads in one step. others: what is asked for thing by
    thing. make: the objects, of rows of the values of `own` and `read`."""

    own: Sequence[_Shown]
    places: Sequence[int]
    read: Sequence[_Shown]
    get: Callable[[Any], tuple[Any, ...]]
    others: Sequence[_Shown]
    make: _Maker


_MOST_WAYS: Final = 4
"""Ways that are kept for one kind of things; the last one fits all of them."""


class _Plan:
    """The ways to show things of a kind: the first is for those that have all fields, and so on. columns: of
    rows, the names of their own columns; None: they are no rows."""

    def __init__(self, fields: Sequence[_Shown], *, are_dicts: bool, columns: Sequence[str] | None) -> None:
        self.fields = fields
        self.are_rows = columns is not None
        self.getter: Callable[..., Callable[[Any], Any]] = itemgetter if are_dicts else attrgetter
        self.place_of = {name: place for place, name in enumerate(columns or ())}
        self.ways = [self._way(lambda one: one.is_plain)]

    def _way(self, is_plain: Callable[[_Shown], bool]) -> _Way:
        plain = [one for one in self.fields if is_plain(one)]
        own = [one for one in plain if one.source in self.place_of]
        read = [one for one in plain if one.source not in self.place_of]
        sources = [one.source for one in read]
        return _Way(
            own=own,
            places=[self.place_of[one.source] for one in own],
            read=read,
            # The first again, since of one alone it gives no tuple
            get=self.getter(*sources, sources[0]) if sources else lambda _: (),
            others=[one for one in self.fields if not is_plain(one)],
            make=_maker([one.name for one in self.fields], [one.name for one in (*own, *read)]),
        )

    def show(self, things: Sequence[Any]) -> list[dict[str, Any]]:
        for way in self.ways:
            try:
                read = [*map(way.get, things)] if way.read else []
            except _NOT_THERE:
                continue
            return self._show(way, things, read)
        self.ways.append(self._way_of(things))
        return self.show(things)

    def _way_of(self, things: Sequence[Any]) -> _Way:
        """One for things that lack fields, and for all others too, since what it does not read is asked for.
        The last of those that are kept reads nothing."""
        is_last = len(self.ways) + 1 >= _MOST_WAYS
        return self._way(
            lambda one: one.is_plain and not is_last and all(self._has(thing, one) for thing in things)
        )

    def _show(
        self, way: _Way, things: Sequence[Any], read: Sequence[tuple[Any, ...]]
    ) -> list[dict[str, Any]]:
        """Field by field: from thing to thing takes half as long again."""
        columns = [*zip(*things, strict=True)] if way.own else []
        values = [columns[place] for place in way.places]
        values += zip(*read, strict=True)
        shown = [
            one.of_column(each) if self.are_rows and one.column is not None else one.of_read(each, things)
            for one, each in zip((*way.own, *way.read), values, strict=False)  # the one read again is last
        ]
        found = way.make(zip(*shown, strict=True) if shown else repeat((), len(things)))
        for one in way.others:
            for thing, answer in zip(things, found, strict=True):
                if one.default is not empty and not self._has(thing, one):
                    answer[one.name] = one.default
                    continue
                try:
                    answer[one.name] = one.of(thing)
                except SkipField:
                    del answer[one.name]
        return found

    def _has(self, thing: Any, one: _Shown) -> bool:
        try:
            self.getter(one.source)(thing)
        except _NOT_THERE:
            return False
        return True


def _maker(names: Sequence[str], given: Sequence[str]) -> _Maker:
    """Makes objects of rows of the values that are `given`; the values of the other names are None at first.
    Written out for these names, as the library's named tuples are: it takes a third of the time of ``zip``
    and ``dict``."""
    value_of = {name: f"value_{place}" for place, name in enumerate(given)}
    pairs = ", ".join(f"{name!r}: {value_of.get(name)}" for name in names)
    row = "".join(f"{value}, " for value in value_of.values())
    made: _Maker = eval(f"lambda rows: [{{{pairs}}} for ({row}) in rows]", {})  # noqa: S307 - names of fields
    return made


class PlainListSerializer(serializers.ListSerializer):
    """Shows its things together."""

    child: PlainSerializer

    def to_representation(self, data: Any) -> list[dict[str, Any]]:
        return self.child.show_all([*(data.all() if isinstance(data, Manager) else data)])

    def show_each(self, values: Sequence[Any]) -> list[Any]:
        """Several lists, or None: the things of all of them together."""
        shown = iter(self.child.show_each([thing for things in values if things for thing in things]))
        return [None if things is None else [*islice(shown, len(things))] for things in values]


class PlainSerializer(serializers.Serializer):
    """Shows what the library shows."""

    def __init_subclass__(cls, **kwargs: Any) -> None:
        super().__init_subclass__(**kwargs)
        if cls.to_representation is not PlainSerializer.to_representation:
            raise TypeError(f"{cls.__name__} is shown in lists by its show_all: override that instead")
        # Where the library looks for it; most classes have a `Meta` of their own
        meta: Any = getattr(cls, "Meta", None) or type("Meta", (), {})
        if not hasattr(meta, "list_serializer_class"):
            meta.list_serializer_class = PlainListSerializer
        cls.Meta = meta  # type: ignore[attr-defined]

    def to_representation(self, instance: Any) -> dict[str, Any]:
        return self.show_all([instance])[0]

    def show_all(self, things: Sequence[Any]) -> list[dict[str, Any]]:
        """Things of one kind. What shows them in another way overrides this, so that lists have it too."""
        return self._plan_for(things[0]).show(things) if things else []

    def show_each(self, values: Sequence[Any]) -> list[Any]:
        """Things of any kinds, or None."""
        given = [value for value in values if value is not None]
        if len({*map(type, given)}) > 1:
            return [None if value is None else self.to_representation(value) for value in values]
        shown = iter(self.show_all(given))
        return [None if value is None else next(shown) for value in values]

    def _plan_for(self, thing: Any) -> _Plan:
        kind = type(thing) if isinstance(thing, tuple) else dict if isinstance(thing, dict) else object
        if kind not in self._plans:
            fields = [
                _shown(name, field, self.column_type(str(field.source)))
                for name, field in self.fields.items()
                if not field.write_only
            ]
            columns = getattr(kind, "_fields", None)
            self._plans[kind] = _Plan(fields, are_dicts=kind is dict, columns=columns)
        return self._plans[kind]

    def column_type(self, source: str) -> type | None:  # noqa: ARG002
        """The type of the values that a column has in the database; None: it is no column."""
        return None

    @cached_property
    def _plans(self) -> dict[type, _Plan]:
        return {}


def _shown(name: str, field: Any, column_type: type | None) -> _Shown:
    kind = type(field)
    has_default = field.read_only and field.default is not empty
    is_plain = (
        kind.get_attribute is serializers.Field.get_attribute and bool(field.source_attrs) and not has_default
    )
    default = field.to_representation(field.get_default()) if has_default else empty
    already = _SHOWN_AS_THEY_ARE.get(kind.to_representation)
    if not all(isinstance(choice, str) for choice in getattr(field, "choices", ())):
        already = None  # a text may stand for a choice that is none
    return _Shown(
        name, str(field.source), field, already, column_type if is_plain else None, is_plain, default
    )
