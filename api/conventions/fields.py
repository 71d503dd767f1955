"""The values that bodies and queries hold, read strictly: in JSON a number is a number and never a text or
`true`.

A query is all text, so there (`Queried`) the text of a number is read. Every refusal says what would be
right."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from enum import IntEnum
from ipaddress import ip_address
from typing import Any, Final, NoReturn

from rest_framework import serializers
from rest_framework.fields import Field

from .suggestions import did_you_mean

LARGEST_ID: Final = 2**63 - 1


class Queried:
    """Marks a serializer whose data is a query, where every value arrives as text."""


def _in_query(field: Field[Any, Any, Any, Any]) -> bool:
    parent: Any = field.parent  # None at the root, whatever the stubs say
    while parent is not None:
        if isinstance(parent, Queried):
            return True
        parent = parent.parent
    return False


class Number(serializers.FloatField):
    default_error_messages = {"invalid": "Expected a number, as in 12.5."}

    def to_internal_value(self, data: Any) -> float:
        if isinstance(data, bool) or (isinstance(data, str) and not _in_query(self)):
            self.fail("invalid")
        return super().to_internal_value(data)


class Whole(serializers.IntegerField):
    default_error_messages = {"invalid": "Expected a whole number, as in 12."}

    def to_internal_value(self, data: Any) -> int:
        if isinstance(data, bool) or (isinstance(data, str) and not _in_query(self)):
            self.fail("invalid")
        if isinstance(data, float):
            if not data.is_integer():
                self.fail("invalid")
            data = int(data)
        return super().to_internal_value(data)


class Id(Whole):
    default_error_messages = {"invalid": "Expected an id: a whole number from 1."}

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("min_value", 1)
        kwargs.setdefault("max_value", LARGEST_ID)
        super().__init__(**kwargs)


class Flag(serializers.BooleanField):
    default_error_messages = {"invalid": "Expected true or false."}
    _WORDS: Final = {"true": True, "false": False}

    def to_internal_value(self, data: Any) -> bool:
        if isinstance(data, bool):
            return data
        if not _in_query(self) or data not in self._WORDS:
            self.fail("invalid")
        return self._WORDS[data]


class Text(serializers.CharField):
    default_error_messages = {"invalid": "Expected a text."}

    def to_internal_value(self, data: Any) -> str:
        if not isinstance(data, str):
            self.fail("invalid")
        return super().to_internal_value(data)


class Address(Text):
    """An address on a network, of either version of IP."""

    default_error_messages = {"invalid": "Expected a network address, as in 10.1.0.5 or 2001:db8::5."}

    def to_internal_value(self, data: Any) -> str:
        text = super().to_internal_value(data)
        if "%" in text:  # a zone of one machine means nothing elsewhere
            self.fail("invalid")
        try:
            return str(ip_address(text))
        except ValueError:
            self.fail("invalid")


class Day(serializers.DateField):
    default_error_messages = {
        "invalid": "Expected a day, as in 2026-11-25.",
        "datetime": "Expected a day without a time, as in 2026-11-25.",
    }

    def to_internal_value(self, value: Any) -> date:
        if not isinstance(value, str):
            self.fail("invalid")
        return super().to_internal_value(value)


class Instant(serializers.DateTimeField):
    default_error_messages = {
        "invalid": "Expected a time with its offset, as in 2026-11-25T14:05:00Z.",
        "date": "Expected a time with its offset, as in 2026-11-25T14:05:00Z.",
        "overflow": "This time is out of range.",
    }

    def enforce_timezone(self, value: datetime) -> datetime:
        # A time without an offset is one of many moments; the sender must say which
        if value.tzinfo is None:
            self.fail("invalid")
        return super().enforce_timezone(value)


class _Listing:
    """What the two kinds of enumeration share: a refusal that names the words there are."""

    fail: Callable[..., NoReturn]

    def refuse(self, data: Any, words: list[str]) -> NoReturn:
        hint = did_you_mean(data, words) if isinstance(data, str) else ""
        raise serializers.ValidationError(
            f"Expected one of: {', '.join(words)}.{hint}", code="invalid_choice"
        )


class Choice(_Listing, serializers.ChoiceField):
    """One of some words."""

    def to_internal_value(self, data: Any) -> Any:
        if data == "" and self.allow_blank:
            return ""
        if not isinstance(data, str) or data not in self.choices:
            self.refuse(data, [str(word) for word in self.choices])
        return data


class Word(_Listing, serializers.ChoiceField):
    """An enumeration that is kept as numbers and that everybody else sees as words."""

    def __init__(self, enumeration: type[IntEnum], **kwargs: Any) -> None:
        self.enumeration = enumeration
        self.words = {member.name.lower(): member for member in enumeration}
        super().__init__(
            choices=[(word, str(getattr(member, "label", word))) for word, member in self.words.items()],
            **kwargs,
        )

    def to_internal_value(self, data: Any) -> Any:
        if not isinstance(data, str) or data not in self.words:
            self.refuse(data, list(self.words))
        return self.words[data]

    def to_representation(self, value: Any) -> str:
        return self.enumeration(value).name.lower()
