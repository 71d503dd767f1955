"""Showing many things of a kind, fast: what a list is made of.

The library asks each field of each thing for its value, and then how to show it. Most values are columns and
need no change. So a thing's plain values are read in one step, and a field is asked only where it changes
one."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cached_property
from operator import attrgetter, itemgetter
from typing import Any, Final, NamedTuple

from django.core.exceptions import ObjectDoesNotExist
from rest_framework import serializers
from rest_framework.fields import SkipField, empty

_FIELDS: Final[dict[type[serializers.Serializer], dict[str, Any]]] = {}
"""Fields of each class, kept: building them takes longer than reading a query or showing a thing."""

_SHOWN_AS_THEY_ARE: Final = {
    serializers.IntegerField.to_representation: int,
    serializers.BigIntegerField.to_representation: int,
    serializers.FloatField.to_representation: float,
    serializers.CharField.to_representation: str,
    serializers.BooleanField.to_representation: bool,
    serializers.ChoiceField.to_representation: str,
}
"""By how a field shows, the type of the values that it does not change."""

_NOT_THERE: Final = (AttributeError, KeyError, ObjectDoesNotExist)


class _Shown(NamedTuple):
    """A field of an answer. already: the type of the values that it shows as they are. column: the type of
    the values of its column; None: it is none. is_plain: it is read and nothing else. default: how its
    default is shown, where a thing need not have it."""

    name: str
    field: Any
    already: type | None
    column: type | None
    is_plain: bool
    default: Any

    def of(self, instance: Any) -> Any:
        """As the library shows it. Raises SkipField if the thing lacks it and may."""
        value = self.field.get_attribute(instance)
        return None if value is None else self.field.to_representation(value)


Change = tuple[str, Callable[[Any], Any]]


class _Way(NamedTuple):
    """One way to show things of a kind: its plain fields in one step, then the others. The first plain ones
    are columns, whose types are known."""

    columns: int
    plain: Sequence[_Shown]
    others: Sequence[_Shown]
    names: Sequence[str]
    get: Callable[[Any], tuple[Any, ...]]
    of_columns: Sequence[Change]
    # From thing to thing hardly more differs than what is null, so what to do is found once
    left: dict[tuple[type, ...], tuple[list[Change], list[_Shown]]]

    def left_to_do(self, types: tuple[type, ...]) -> tuple[list[Change], list[_Shown]]:
        """Where the plain values that are no columns have such types: the changes of them, and the fields
        whose values are called first, as the library does."""
        changes: list[Change] = []
        called: list[_Shown] = []
        for one, kind in zip(self.plain[self.columns :], types, strict=False):
            if any("__call__" in vars(base) for base in kind.__mro__):
                called.append(one)
            elif kind is not one.already and kind is not type(None):
                changes.append((one.name, one.field.to_representation))
        self.left[types] = changes, called
        return changes, called


_MOST_WAYS: Final = 4


class _Plan:
    """The ways to show things of a kind. The first is for those that have all fields."""

    def __init__(self, fields: Sequence[_Shown], of: type) -> None:
        self.in_order = dict.fromkeys(one.name for one in fields)
        self.are_rows = of is tuple
        self.fields = sorted(fields, key=lambda one: one.column is None) if self.are_rows else fields
        self.getter: Callable[..., Callable[[Any], Any]] = itemgetter if of is dict else attrgetter
        self.ways = [self._way(lambda one: one.is_plain)]

    def _way(self, is_plain: Callable[[_Shown], bool]) -> _Way:
        plain = [one for one in self.fields if is_plain(one)]
        sources = [str(one.field.source) for one in plain]
        columns = [one for one in plain if one.column is not None] if self.are_rows else []
        return _Way(
            columns=len(columns),
            plain=plain,
            others=[one for one in self.fields if not is_plain(one)],
            names=[one.name for one in plain],
            # The first again, since of one alone it gives no tuple
            get=self.getter(*sources, sources[0]) if sources else lambda _: (),
            of_columns=[
                (one.name, one.field.to_representation) for one in columns if one.already is not one.column
            ],
            left={},
        )

    def show(self, things: Sequence[Any]) -> list[dict[str, Any]]:
        way = self.ways[0]
        try:
            rows = [*map(way.get, things)] if way.columns == len(self.fields) else None
        except _NOT_THERE:
            rows = None
        if rows is None:
            return [self._shown(thing) for thing in things]
        # Of columns, and nothing else: one after another they take two thirds of the time
        found = [dict(zip(way.names, values, strict=False)) for values in rows]
        for name, change in way.of_columns:
            for shown in found:
                if shown[name] is not None:
                    shown[name] = change(shown[name])
        return found

    def _shown(self, thing: Any) -> dict[str, Any]:
        way, values = self._read(thing)
        shown: dict[str, Any] = self.in_order.copy()
        shown.update(zip(way.names, values, strict=False))
        for name, change in way.of_columns:
            if shown[name] is not None:
                shown[name] = change(shown[name])
        if way.columns < len(way.plain):
            types = tuple(map(type, values[way.columns :]))
            changes, called = way.left.get(types) or way.left_to_do(types)
            for name, change in changes:
                shown[name] = change(shown[name])
            for one in called:
                shown[one.name] = one.of(thing)
        for one in way.others:
            if one.default is not empty and not self._has(thing, one):
                shown[one.name] = one.default
                continue
            try:
                shown[one.name] = one.of(thing)
            except SkipField:
                del shown[one.name]
        return shown

    def _read(self, thing: Any) -> tuple[_Way, tuple[Any, ...]]:
        """The way to show this thing, and the values of its plain fields. A way that reads less will do, since
        each of its other fields is asked for whether the thing has it."""
        for way in self.ways:
            try:
                return way, way.get(thing)
            except _NOT_THERE:
                continue
        is_last = len(self.ways) + 1 >= _MOST_WAYS  # which reads nothing, so all things fit
        way = self._way(lambda one: one.is_plain and not is_last and self._has(thing, one))
        self.ways.append(way)
        return way, way.get(thing)

    def _has(self, thing: Any, one: _Shown) -> bool:
        try:
            self.getter(str(one.field.source))(thing)
        except _NOT_THERE:
            return False
        return True


class PlainSerializer(serializers.Serializer):
    """Shows what the library shows."""

    def to_representation(self, instance: Any) -> dict[str, Any]:
        return self.show_all([instance])[0]

    def show_all(self, things: Sequence[Any]) -> list[dict[str, Any]]:
        """Things of one kind. What shows them in another way overrides this, so that lists have it too."""
        return self._plan_for(things[0]).show(things) if things else []

    def _plan_for(self, thing: Any) -> _Plan:
        of = dict if isinstance(thing, dict) else tuple if isinstance(thing, tuple) else object
        if of not in self._plans:
            fields = [
                _shown(name, field, self.column_type(str(field.source)))
                for name, field in self.fields.items()
                if not field.write_only
            ]
            self._plans[of] = _Plan(fields, of)
        return self._plans[of]

    def column_type(self, source: str) -> type | None:  # noqa: ARG002
        """The type of the values that a column has in the database; None: it is no column."""
        return None

    def _kept_fields(self) -> dict[str, Any]:
        kind = type(self)
        if kind not in _FIELDS:
            _FIELDS[kind] = super().get_fields()
        return _FIELDS[kind]

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
    return _Shown(name, field, already, column_type if is_plain else None, is_plain, default)
