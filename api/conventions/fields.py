"""The values that bodies and queries hold, read strictly: in JSON a number is a number and never a text or
`true`.

A query is all text, so there (`Queried`) the text of a number is read. Every refusal says what would be
right."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime
from enum import IntEnum
from ipaddress import ip_address
from typing import Any, ClassVar, Final, NoReturn

from rest_framework import serializers
from rest_framework.fields import Field

from sites.fields import FIRST_DAY, LAST_DAY, DayField
from sites.wording import did_you_mean

LARGEST_ID: Final = 2**63 - 1


class Queried:
    """Marks a serializer whose data is a query, where every value arrives as text."""


class Worded(Field[Any, Any, Any, Any]):
    """Says what is wrong in our words instead of the library's: what would be right."""

    default_error_messages = {
        "required": "Give {name}; it cannot be left out.",
        "null": "Give a value: null cannot stand here.",
        "null_optional": "Give a value, or leave the name out: null cannot stand here.",
    }

    def fail(self, key: str, **kwargs: Any) -> NoReturn:
        if key == "null" and not self.required:
            key = "null_optional"
        super().fail(key, name=self.field_name, **kwargs)


class _Ranged(Worded):
    """Names both ends in one sentence, so that a second try does not meet the other end."""

    noun: ClassVar[str]

    def __init__(self, **kwargs: Any) -> None:
        least, most = (
            f"{end:.15g}" if isinstance(end, float) else end
            for end in (kwargs.get("min_value"), kwargs.get("max_value"))
        )
        if None not in (least, most):
            text = f"Expected {self.noun} from {least} to {most}."
        else:
            text = f"Expected {self.noun} of at {f'least {least}' if most is None else f'most {most}'}."
        given = kwargs.pop("error_messages", {})
        super().__init__(error_messages={"min_value": text, "max_value": text} | given, **kwargs)


class Number(_Ranged, serializers.FloatField):
    default_error_messages = {
        "invalid": "Expected a number, as in 12.5.",
        "max_string_length": "Expected a number; this one has too many digits.",
        "overflow": "Expected a number; this one is too large.",
    }
    noun = "a number"

    def to_internal_value(self, data: Any) -> float:
        if isinstance(data, bool) or (isinstance(data, str) and not isinstance(self.root, Queried)):
            self.fail("invalid")
        value: float = super().to_internal_value(data)
        if not math.isfinite(value):
            self.fail("overflow")
        return value


class Whole(_Ranged, serializers.IntegerField):
    default_error_messages = {
        "invalid": "Expected a whole number, as in 12.",
        "max_string_length": "Expected a whole number; this one has too many digits.",
    }
    noun = "a whole number"

    def to_internal_value(self, data: Any) -> int:
        if isinstance(data, bool) or (isinstance(data, str) and not isinstance(self.root, Queried)):
            self.fail("invalid")
        if isinstance(data, float):
            if not data.is_integer():
                self.fail("invalid")
            data = int(data)
        value: int = super().to_internal_value(data)
        return value


class Id(Whole):
    default_error_messages = {"invalid": "Expected an id: a whole number from 1."}

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("min_value", 1)
        kwargs.setdefault("max_value", LARGEST_ID)
        super().__init__(**kwargs)


class Flag(Worded, serializers.BooleanField):
    default_error_messages = {"invalid": "Expected true or false."}
    _WORDS: Final = {"true": True, "false": False}

    def to_internal_value(self, data: Any) -> bool:
        if isinstance(data, bool):
            return data
        if not isinstance(self.root, Queried) or data not in self._WORDS:
            self.fail("invalid")
        return self._WORDS[data]


class Text(Worded, serializers.CharField):
    default_error_messages = {
        "invalid": "Expected a text.",
        "blank": "Expected a text; this one is blank.",
        "max_length": "Expected at most {max_length} characters; this has %(show_value)d.",
        "min_length": "Expected at least {min_length} characters; this has %(show_value)d.",
    }

    def to_internal_value(self, data: Any) -> str:
        if not isinstance(data, str):
            self.fail("invalid")
        value: str = super().to_internal_value(data)
        return value


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


class Day(Worded, serializers.DateField):
    """A day in the range of all days."""

    default_error_messages = {
        "invalid": f"Expected {DayField.expected}.",
        "datetime": f"Expected {DayField.expected}, without a time.",
    }

    def to_internal_value(self, value: Any) -> date:
        if not isinstance(value, str):
            self.fail("invalid")
        day: date = super().to_internal_value(value)
        if not FIRST_DAY <= day <= LAST_DAY:
            self.fail("invalid")
        return day


class Moment(serializers.DateTimeField):
    """A time of a row, as it is kept: in UTC. (To ask for the time zone of the request, which is UTC too, and
    for the format takes longer than to show it.)"""

    timezone = UTC

    def to_representation(self, value: Any) -> Any:
        if isinstance(value, datetime) and value.tzinfo is UTC:
            return f"{value.isoformat()[:-6]}Z"
        return super().to_representation(value)


class DayOfRow(serializers.DateField):
    """A day of a row. (To ask for the format takes longer than to show it.)"""

    def to_representation(self, value: Any) -> Any:
        return value.isoformat() if type(value) is date else super().to_representation(value)


class Instant(Worded, serializers.DateTimeField):
    """A time within the range of all days."""

    _EXPECTED: Final = (
        "Expected a time with its offset, as in 2026-11-25T14:05:00Z, "
        f"from {FIRST_DAY.year} to {LAST_DAY.year}."
    )
    default_error_messages = {"invalid": _EXPECTED, "date": _EXPECTED, "overflow": _EXPECTED}

    def enforce_timezone(self, value: datetime) -> datetime:
        # A time without an offset is one of many moments; the sender must say which
        if value.tzinfo is None or not FIRST_DAY <= value.date() <= LAST_DAY:
            self.fail("invalid")
        return super().enforce_timezone(value)


class List(Worded, serializers.ListField):
    default_error_messages = {
        "not_a_list": "Expected a list.",
        "empty": "Expected at least one item.",
        "max_length": "Expected at most {max_length} items; this has %(show_value)d.",
        "min_length": "Expected at least {min_length} items; this has %(show_value)d.",
    }

    def run_child_validation(self, data: Any) -> Any:
        # The library counts last. A million items took half a minute, each with an error of its own
        self.run_validators(data)
        return super().run_child_validation(data)


class Choice(Worded, serializers.ChoiceField):
    """A choice among given words."""

    def to_internal_value(self, data: Any) -> Any:
        if data == "" and self.allow_blank:
            return ""
        if not isinstance(data, str) or data not in self.choices:
            hint = did_you_mean(data, self.choices) if isinstance(data, str) else ""
            raise serializers.ValidationError(
                f"Expected one of: {', '.join(map(str, self.choices))}.{hint}", code="invalid_choice"
            )
        return data


class Word(Choice):
    """An enumeration that is kept as numbers and that everybody else sees as words."""

    def __init__(self, enumeration: type[IntEnum], **kwargs: Any) -> None:
        self.enumeration = enumeration
        self.words = {member.name.lower(): member for member in enumeration}
        super().__init__(
            choices=[(word, str(getattr(member, "label", word))) for word, member in self.words.items()],
            **kwargs,
        )

    def to_internal_value(self, data: Any) -> Any:
        return self.words[super().to_internal_value(data)]

    def to_representation(self, value: Any) -> str:
        return self.enumeration(value).name.lower()
