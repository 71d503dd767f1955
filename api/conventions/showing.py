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
    """A field of an answer. default: how its default is shown, where a thing need not have it."""

    name: str
    field: Any
    already: type | None
    is_plain: bool
    default: Any

    def of(self, instance: Any) -> Any:
        """As the library shows it. Raises SkipField if the thing lacks it and may."""
        value = self.field.get_attribute(instance)
        return None if value is None else self.field.to_representation(value)


class _Way(NamedTuple):
    """One way to show things of a kind: its plain fields in one step, then the others."""

    plain: Sequence[_Shown]
    others: Sequence[_Shown]
    names: Sequence[str]
    get: Callable[[Any], tuple[Any, ...]]
    # From thing to thing hardly more differs than what is null, so what to do is found once
    left: dict[tuple[type, ...], list[_Shown]]

    def left_to_do(self, types: tuple[type, ...]) -> list[_Shown]:
        """The plain fields that change their values, where these have such types."""
        found = [
            one
            for one, kind in zip(self.plain, types, strict=False)
            if kind is not one.already and kind is not type(None)
        ]
        self.left[types] = found
        return found


_MOST_WAYS: Final = 4


class _Plan:
    """The ways to show things of a kind. The first is for those that have all fields."""

    def __init__(self, fields: Sequence[_Shown], *, of_dicts: bool) -> None:
        self.in_order = dict.fromkeys(one.name for one in fields)
        self.fields = fields
        self.getter: Callable[..., Callable[[Any], Any]] = itemgetter if of_dicts else attrgetter
        self.ways = [self._way(lambda one: one.is_plain)]

    def _way(self, is_plain: Callable[[_Shown], bool]) -> _Way:
        plain = [one for one in self.fields if is_plain(one)]
        sources = [str(one.field.source) for one in plain]
        return _Way(
            plain=plain,
            others=[one for one in self.fields if not is_plain(one)],
            names=[one.name for one in plain],
            # The first again, since of one alone it gives no tuple
            get=self.getter(*sources, sources[0]) if sources else lambda _: (),
            left={},
        )

    def read(self, instance: Any) -> tuple[_Way, tuple[Any, ...]]:
        """The way to show this thing, and the values of its plain fields. A way that reads less will do, since
        each of its other fields is asked for whether the thing has it."""
        for way in self.ways:
            try:
                return way, way.get(instance)
            except _NOT_THERE:
                continue
        is_last = len(self.ways) + 1 >= _MOST_WAYS  # which reads nothing, so all things fit
        way = self._way(lambda one: one.is_plain and not is_last and self.has(instance, one))
        self.ways.append(way)
        return way, way.get(instance)

    def has(self, instance: Any, one: _Shown) -> bool:
        try:
            self.getter(str(one.field.source))(instance)
        except _NOT_THERE:
            return False
        return True


class PlainSerializer(serializers.Serializer):
    """Shows what the library shows."""

    def to_representation(self, instance: Any) -> dict[str, Any]:
        plan = self._plan(isinstance(instance, dict))
        way, values = plan.read(instance)
        shown: dict[str, Any] = plan.in_order.copy()
        shown.update(zip(way.names, values, strict=False))
        types = tuple(map(type, values))
        left = way.left.get(types)
        for one in way.left_to_do(types) if left is None else left:
            value = shown[one.name]
            shown[one.name] = one.of(instance) if callable(value) else one.field.to_representation(value)
        for one in way.others:
            if one.default is not empty and not plan.has(instance, one):
                shown[one.name] = one.default
                continue
            try:
                shown[one.name] = one.of(instance)
            except SkipField:
                del shown[one.name]
        return shown

    def _kept_fields(self) -> dict[str, Any]:
        kind = type(self)
        if kind not in _FIELDS:
            _FIELDS[kind] = super().get_fields()
        return _FIELDS[kind]

    def _plan(self, of_dicts: bool) -> _Plan:
        if of_dicts not in self._plans:
            self._plans[of_dicts] = _Plan(
                [_shown(name, field) for name, field in self.fields.items() if not field.write_only],
                of_dicts=of_dicts,
            )
        return self._plans[of_dicts]

    @cached_property
    def _plans(self) -> dict[bool, _Plan]:
        return {}


def _shown(name: str, field: Any) -> _Shown:
    kind = type(field)
    has_default = field.read_only and field.default is not empty
    is_plain = (
        kind.get_attribute is serializers.Field.get_attribute and bool(field.source_attrs) and not has_default
    )
    default = field.to_representation(field.get_default()) if has_default else empty
    already = _SHOWN_AS_THEY_ARE.get(kind.to_representation)
    if not all(isinstance(choice, str) for choice in getattr(field, "choices", ())):
        already = None  # a text may stand for a choice that is none
    return _Shown(name, field, already, is_plain, default)
