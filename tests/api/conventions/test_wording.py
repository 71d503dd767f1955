"""Errors of values are in our words, with what would be right; never in the library's."""

from __future__ import annotations

from typing import Any

import pytest
from rest_framework import serializers

from api import urls
from api.conventions import fields
from api.conventions.serializers import StrictSerializer

LIBRARYS = ("Ensure ", "This field", "This list", "Enter a valid", "A valid ", "Not a valid")


class Cable(StrictSerializer):
    length_m = fields.Number(min_value=0.5, max_value=305)
    pairs = fields.Whole(min_value=1, required=False)
    share = fields.Number(max_value=1, required=False)
    name = fields.Text(max_length=4, required=False)
    ports = fields.List(child=fields.Whole(max_value=48), max_length=2, required=False)
    colour = fields.Text(required=False, error_messages={"blank": "Which colour?"})


@pytest.mark.parametrize(
    ("name", "sent", "said"),
    [
        ("length_m", 305.1, "Expected a number from 0.5 to 305."),
        ("length_m", 0, "Expected a number from 0.5 to 305."),
        ("length_m", None, "Give a value: null cannot stand here."),
        ("length_m", 10**400, "Expected a number; this one is too large."),
        ("pairs", 0, "Expected a whole number of at least 1."),
        ("pairs", None, "Give a value, or leave the name out: null cannot stand here."),
        ("share", 1.5, "Expected a number of at most 1."),
        ("name", "  ", "Expected a text; this one is blank."),
        ("name", "north", "Expected at most 4 characters; this has 5."),
        ("ports", 3, "Expected a list."),
        ("ports", [1, 2, 3], "Expected at most 2 items; this has 3."),
        ("colour", "", "Which colour?"),
    ],
)
def test_what_would_be_right_is_said(name: str, sent: Any, said: str) -> None:
    cable = Cable(data={"length_m": 1.0, name: sent})
    assert not cable.is_valid()
    assert [str(one) for one in cable.errors[name]] == [said]


def test_an_item_of_a_list_too_and_what_is_left_out() -> None:
    cable = Cable(data={"ports": [49]})
    assert not cable.is_valid()
    assert cable.errors["length_m"] == ["Give length_m; it cannot be left out."]
    assert cable.errors["ports"] == {0: ["Expected a whole number of at most 48."]}


def _all_below(kind: type[Any]) -> list[type[Any]]:
    return [one for below in kind.__subclasses__() for one in (below, *_all_below(below))]


def test_no_body_or_query_of_the_service_speaks_as_the_library() -> None:
    assert urls.urlpatterns  # every resource is loaded
    seen = 0
    for kind in _all_below(StrictSerializer):
        if not kind.__module__.startswith("api.v1") or (
            issubclass(kind, serializers.ModelSerializer) and not hasattr(kind, "Meta")
        ):
            continue
        for name, field in kind().fields.items():
            if field.read_only:
                continue
            seen += 1
            codes = {"required", "null", "blank", "empty", "not_a_list"} & set(field.error_messages)
            texts = [str(field.error_messages[code]) for code in codes]
            texts += [str(one.message) for one in field.validators if "Length" in type(one).__name__]
            texts += [str(one.message) for one in field.validators if "Value" in type(one).__name__]
            assert not [text for text in texts if text.startswith(LIBRARYS)], (kind, name, texts)
    assert seen > 100
