"""What a serializer shows: the same as the library does, which is slower."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace
from typing import Any, NamedTuple

import pytest
from rest_framework import serializers

from api.conventions.serializers import RenderedSerializer, StrictSerializer
from api.conventions.showing import _MOST_WAYS


class _Fields(serializers.Serializer):
    name = serializers.CharField(source="thing.name", allow_null=True)
    number = serializers.IntegerField()
    ratio = serializers.FloatField()
    on = serializers.DateField()
    said = serializers.CharField(source="say")
    fallback = serializers.CharField(default="none said")
    optional = serializers.CharField(required=False)
    secret = serializers.CharField(write_only=True)
    words = serializers.ListField(child=serializers.CharField())
    chosen = serializers.ChoiceField(choices=[(1, "one"), ("two", "two")])
    large = serializers.BigIntegerField()
    read = serializers.ListField(child=serializers.IntegerField(), read_only=True, default=list)


class _Shown(_Fields, StrictSerializer):
    pass


class _Inner(StrictSerializer):
    number = serializers.IntegerField()


class _Nested(StrictSerializer):
    first = _Inner()
    others = _Inner(many=True)


WHOLE: dict[str, Any] = {
    "thing": SimpleNamespace(name="north hall"),
    "number": True,  # as a number: 1
    "ratio": 3,
    "on": date(2026, 3, 14),
    "say": lambda: "said by a method",
    "fallback": "given",
    "optional": "here",
    "secret": "not shown",
    "words": ("low", "high"),
    "chosen": "1",  # of the choices: the number
    "large": "9007199254740993",
    "read": (1, "2"),
}


def _without(*names: str, **others: Any) -> dict[str, Any]:
    return {name: value for name, value in (WHOLE | others).items() if name not in names}


THINGS = [
    WHOLE,
    _without("optional"),
    _without("fallback"),
    _without("read"),
    _without("thing", thing=None),
    _without(thing=None),
    _without(ratio=None, number="7"),
    _without(chosen="two", large=3, words=None),
]


@pytest.mark.parametrize("made", [lambda values: SimpleNamespace(**values), dict], ids=["object", "dict"])
def test_things_are_shown_as_the_library_shows_them(made: Any) -> None:
    """By one serializer, which keeps what it found of the things before."""
    serializer = _Shown()
    for values in THINGS * 2:
        shown = serializer.to_representation(made(values))
        assert list(shown.items()) == list(_Fields().to_representation(made(values)).items())


def test_a_list_is_shown_as_its_things_are() -> None:
    """In which some lack a field that others have."""
    things = [SimpleNamespace(**values) for values in THINGS * 2]
    expected = [list(_Fields().to_representation(thing).items()) for thing in things]
    assert [list(shown.items()) for shown in _Shown().show_all(things)] == expected
    assert _Shown().show_all([]) == []


def test_a_list_of_things_alike_is_shown_as_they_are() -> None:
    """In which all have every field, whatever the values."""
    others: list[dict[str, Any]] = [{}, {"number": None}, {"words": [], "on": None}]
    things = [SimpleNamespace(**(WHOLE | values)) for values in others]
    expected = [list(_Fields().to_representation(thing).items()) for thing in things]
    assert [list(shown.items()) for shown in _Shown().show_all(things)] == expected


class _OfRows(StrictSerializer):
    number = serializers.IntegerField()
    written = serializers.CharField(source="number")
    name = serializers.CharField(allow_null=True)
    on = serializers.DateField(allow_null=True)
    clips = serializers.ListField(child=serializers.IntegerField(), read_only=True)

    def column_type(self, source: str) -> type | None:
        return {"number": int, "name": str, "on": object}.get(source)


class _Row(NamedTuple):
    number: int
    name: str | None
    on: date | None


class _RowWithClips(_Row):
    clips: Any


def test_rows_are_shown_by_the_types_of_their_columns() -> None:
    """What is no column, and a field that shows its column as another type, are still looked at."""
    rows: list[Any] = [_RowWithClips(7, "north hall", date(2026, 3, 14)), _RowWithClips(8, None, None)]
    rows[0].clips, rows[1].clips = (1, "2"), []
    assert _OfRows().show_all(rows) == [
        {"number": 7, "written": "7", "name": "north hall", "on": "2026-03-14", "clips": [1, 2]},
        {"number": 8, "written": "8", "name": None, "on": None, "clips": []},
    ]
    assert _OfRows().show_all([_Row(7, None, None)]) == [
        {"number": 7, "written": "7", "name": None, "on": None}
    ]


class _OfValues(StrictSerializer):
    on = serializers.DateField(allow_null=True)
    kept = serializers.JSONField()
    ratio = serializers.CharField()

    def column_type(self, source: str) -> type | None:
        return {"on": date, "kept": object, "ratio": float}[source]


class _RowOfValues(NamedTuple):
    on: date | None
    kept: Any
    ratio: float


def test_values_of_a_column_that_are_equal_and_not_alike_are_shown_each_as_it_is() -> None:
    """In JSON, 1 is not true; of floats, zero has a sign."""
    day = date(2026, 3, 14)
    rows = [_RowOfValues(day, 1, 0.0), _RowOfValues(None, True, -0.0), _RowOfValues(day, [True], 2.5)]
    shown = _OfValues().show_all(rows)
    assert [one["on"] for one in shown] == ["2026-03-14", None, "2026-03-14"]
    assert [repr(one["kept"]) for one in shown] == ["1", "True", "[True]"]
    assert [one["ratio"] for one in shown] == ["0.0", "-0.0", "2.5"]


class _Optional(serializers.Serializer):
    a = serializers.IntegerField(required=False)
    b = serializers.IntegerField(required=False)
    c = serializers.IntegerField(required=False)
    d = serializers.IntegerField(required=False)
    e = serializers.IntegerField(required=False)


class _OptionalShown(_Optional, StrictSerializer):
    pass


def test_things_that_lack_ever_other_fields_are_shown_too() -> None:
    """In more ways than a serializer keeps."""
    serializer, whole = _OptionalShown(), {"a": 1, "b": 2, "c": 3, "d": 4, "e": 5}
    for lacking in ("a", "b", "c", "d", "e", "ab", "", "abcde"):
        values = {name: value for name, value in whole.items() if name not in lacking}
        assert serializer.to_representation(SimpleNamespace(**values)) == values
    assert len(serializer._plans[object].ways) == _MOST_WAYS


def test_what_is_rendered_is_shown_as_it_is() -> None:
    """Also in a list within a thing, and where another class has fields of its own to show."""

    class _RenderedInner(RenderedSerializer, _Inner):
        pass

    class _Outer(StrictSerializer):
        first = _RenderedInner()
        others = _RenderedInner(many=True)

    rendered = {"first": {"text": "as it is"}, "others": [{"text": "one"}, {"text": "two"}]}
    assert _Outer().to_representation(rendered) == rendered


def test_a_serializer_that_lists_would_overlook_is_refused() -> None:
    with pytest.raises(TypeError, match="override that instead"):

        class _Overlooked(_Inner):
            def to_representation(self, instance: Any) -> dict[str, Any]:
                return {"number": instance.number}


def test_numbers_are_shown_as_numbers_of_their_field() -> None:
    shown = _Shown().to_representation(SimpleNamespace(**WHOLE))
    assert [shown["number"], type(shown["number"]), type(shown["ratio"])] == [1, int, float]


def test_what_must_be_there_is_missed() -> None:
    with pytest.raises((AttributeError, KeyError), match="number"):
        _Shown().to_representation(SimpleNamespace(**_without("number")))


def test_what_is_nested_is_shown_too() -> None:
    things = SimpleNamespace(first={"number": 1}, others=[SimpleNamespace(number=2), {"number": 3}])
    assert _Nested().to_representation(things) == {
        "first": {"number": 1},
        "others": [{"number": 2}, {"number": 3}],
    }


class _MayNest(serializers.Serializer):
    first = _Inner(allow_null=True)
    others = _Inner(many=True, allow_null=True)


class _MayNestShown(_MayNest, StrictSerializer):
    pass


def test_what_things_of_a_list_hold_is_shown_with_the_thing_that_holds_it() -> None:
    """Of any kind: objects, dicts, what a method gives, several, one, none."""
    one, two, three = SimpleNamespace(number=1), {"number": 2}, SimpleNamespace(number=3)
    alike = [
        SimpleNamespace(first=one, others=[three, one]),
        SimpleNamespace(first=None, others=[]),
        SimpleNamespace(first=three, others=None),
        SimpleNamespace(first=one, others=(three,)),
    ]
    of_kinds = [SimpleNamespace(first=two, others=[one, two]), SimpleNamespace(first=one, others=[two])]
    by_methods = [
        SimpleNamespace(first=lambda: three, others=[two]),
        SimpleNamespace(first=three, others=lambda: [one, three]),
    ]
    for things in (alike, of_kinds, by_methods, [*alike, *of_kinds, *by_methods]):
        assert _MayNestShown().show_all(things) == [_MayNest().to_representation(thing) for thing in things]
