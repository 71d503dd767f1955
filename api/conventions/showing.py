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

    def of(self, thing: Any) -> Any:
        """As the library shows it. Raises SkipField if the thing lacks it and may."""
        value = self.field.get_attribute(thing)
        return None if value is None else self.field.to_representation(value)


class _Way(NamedTuple):
    """One way to show things of a kind: its plain fields in one step, of which some change their values, then
    the others."""

    plain: Sequence[_Shown]
    changing: Sequence[_Shown]
    others: Sequence[_Shown]
    names: Sequence[str]
    get: Callable[[Any], tuple[Any, ...]]


_MOST_WAYS: Final = 4
"""Ways that are kept for one kind of things; the last one fits all of them."""


class _Plan:
    """The ways to show things of a kind: the first is for those that have all fields, and so on."""

    def __init__(self, fields: Sequence[_Shown], of: type) -> None:
        self.in_order = dict.fromkeys(one.name for one in fields)
        self.fields = fields
        self.are_rows = of is tuple
        self.getter: Callable[..., Callable[[Any], Any]] = itemgetter if of is dict else attrgetter
        self.ways = [self._way(lambda one: one.is_plain)]

    def _way(self, is_plain: Callable[[_Shown], bool]) -> _Way:
        plain = [one for one in self.fields if is_plain(one)]
        sources = [str(one.field.source) for one in plain]
        return _Way(
            plain=plain,
            changing=[
                one for one in plain if not self.are_rows or one.already is None or one.already != one.column
            ],
            others=[one for one in self.fields if not is_plain(one)],
            names=[one.name for one in plain],
            # The first again, since of one alone it gives no tuple
            get=self.getter(*sources, sources[0]) if sources else lambda _: (),
        )

    def show(self, things: Sequence[Any]) -> list[dict[str, Any]]:
        for way in self.ways:
            try:
                rows = [*map(way.get, things)]
            except _NOT_THERE:
                continue
            return self._show(way, things, rows)
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
        self, way: _Way, things: Sequence[Any], rows: Sequence[tuple[Any, ...]]
    ) -> list[dict[str, Any]]:
        """Field by field: from thing to thing takes half as long again."""
        if way.others:
            found = [self.in_order | dict(zip(way.names, values, strict=False)) for values in rows]
        else:
            found = [dict(zip(way.names, values, strict=False)) for values in rows]
        for one in way.changing:
            name, already, change = one.name, one.already, one.field.to_representation
            for thing, shown in zip(things, found, strict=True):
                value = shown[name]
                if value is not None and type(value) is not already:
                    shown[name] = one.of(thing) if callable(value) else change(value)
        for one in way.others:
            for thing, shown in zip(things, found, strict=True):
                if one.default is not empty and not self._has(thing, one):
                    shown[one.name] = one.default
                    continue
                try:
                    shown[one.name] = one.of(thing)
                except SkipField:
                    del shown[one.name]
        return found

    def _has(self, thing: Any, one: _Shown) -> bool:
        try:
            self.getter(str(one.field.source))(thing)
        except _NOT_THERE:
            return False
        return True


class PlainListSerializer(serializers.ListSerializer):
    """Shows its things together."""

    child: PlainSerializer

    def to_representation(self, data: Any) -> list[dict[str, Any]]:
        return self.child.show_all([*(data.all() if isinstance(data, Manager) else data)])


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
