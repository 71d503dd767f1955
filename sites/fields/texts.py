"""Texts: names, lines, notes, and those of a form."""

from __future__ import annotations

import functools
import re
import unicodedata
from typing import Any, ClassVar
from zoneinfo import available_timezones

from django.core.validators import validate_email
from django.db import models

from .values import Fact

# Invisible characters: controls, zero-width, bidirectional marks, tags. The same text is a regular
# expression of Python and of PostgreSQL (``zonebook_is_line`` and ``zonebook_is_text``)
UNSEEN = (
    r"\u0001-\u0008\u000B-\u001F\u007F-\u009F\u00AD\u034F\u061C\u115F\u1160\u17B4\u17B5\u180B-\u180F"
    r"\u200B-\u200F\u2028-\u202E\u2060-\u206F\u3164\uFE00-\uFE0F\uFEFF\uFFA0\uFFF0-\uFFFB"
    r"\U000E0000-\U000E0FFF"
)
_UNSEEN_IN_TEXT = re.compile(f"[\0{UNSEEN}\ud800-\udfff]")
_UNSEEN_IN_LINE = re.compile(f"[\0\t\n{UNSEEN}\ud800-\udfff]")


class _Text(Fact):
    _unseen: ClassVar[re.Pattern[str]] = _UNSEEN_IN_LINE
    _is: ClassVar[str] = "zonebook_is_line"

    @property
    def expected(self) -> str:
        return f"a text of {0 if self.blank else 1} to {self.max_length} characters, {self._seen}"

    _seen: ClassVar[str] = "on one line and without invisible characters"

    @property
    def schema(self) -> dict[str, Any]:
        low = {} if self.blank else {"minLength": 1}
        return {"type": "string", **low, "maxLength": self.max_length}

    def to_python(self, value: Any) -> Any:
        return value if value is None else self.normal(str(value))

    def normal(self, text: str) -> str:
        """The one form in which a text is kept."""
        return " ".join(unicodedata.normalize("NFC", text).split(" ")).strip()

    def run_validators(self, value: Any) -> None:
        if len(value) > (self.max_length or 0) or self._unseen.search(value):
            raise self._wrong()

    def conditions(self, column: str) -> list[str]:
        some = [] if self.blank else [f"{column} <> ''"]
        return [*some, f"{self._is}({column})"]

    def conditions_each(self, column: str) -> list[str]:
        return [f"zonebook_are_lines({column})"]


class LineField(_Text, models.CharField):
    """A text on one line: a place, a serial number, a telephone number."""

    def normal(self, text: str) -> str:
        # The usual text is in that form already
        if text.isascii() and text.isprintable() and "  " not in text:
            return text.strip()
        # One space between words, so that two names that look alike are alike
        return re.sub(r"[ \u00A0\u1680\u2000-\u200A\u202F\u205F\u3000]+", " ", super().normal(text)).strip()


class NameField(LineField):
    """What a thing is called: a line that says something."""


class NoteField(_Text, models.TextField):
    """A text of several lines."""

    _unseen = _UNSEEN_IN_TEXT
    _is = "zonebook_is_text"
    _seen = "without control or invisible characters"

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**{"max_length": 4000, "blank": True, **kwargs})

    def deconstruct(self) -> Any:
        name, path, args, kwargs = super().deconstruct()
        kwargs.pop("blank", None)
        return name, path, args, kwargs if self.blank else {**kwargs, "blank": False}

    def normal(self, text: str) -> str:
        return unicodedata.normalize("NFC", text).replace("\r\n", "\n").replace("\r", "\n").strip()

    def conditions(self, column: str) -> list[str]:
        return [*super().conditions(column), f"length({column}) <= {self.max_length}"]


class _Patterned(_Text):
    """A line of the form of a regular expression, the same in Python and in PostgreSQL."""

    pattern: ClassVar[str]

    def run_validators(self, value: Any) -> None:
        left_out = value == "" and self.blank
        if len(value) > (self.max_length or 0) or not (left_out or re.fullmatch(self.pattern, value)):
            raise self._wrong()

    def conditions(self, column: str) -> list[str]:
        form = f"{column} ~ '^({self.pattern})$'"
        return [f"({column} = '' OR {form})" if self.blank else form]


class CodeField(_Patterned, models.CharField):
    """A short name in files and addresses."""

    pattern = "[-a-zA-Z0-9_]+"

    @property
    def expected(self) -> str:
        return f"1 to {self.max_length} letters, digits, dashes and underscores"

    @property
    def schema(self) -> dict[str, Any]:
        return {**super().schema, "pattern": f"^{self.pattern}$"}


class MacField(_Patterned, models.CharField):
    """The hardware address of a network interface, in one form: lower case, with colons."""

    pattern = "([0-9a-f]{2}:){5}[0-9a-f]{2}"
    expected = "a MAC address such as 00:1b:44:11:3a:b7"

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**{"max_length": 17, "blank": True, **kwargs})

    def normal(self, text: str) -> str:
        digits = re.sub("[:.-]", "", text.strip().lower())
        if len(digits) != 12:
            return text.strip()
        return ":".join(digits[place : place + 2] for place in range(0, 12, 2))


class TimeOfDayField(_Patterned, models.CharField):
    """A time of day on a 24-hour clock, to the minute; 24:00 ends a day."""

    pattern = "([01][0-9]|2[0-3]):[0-5][0-9]|24:00"
    expected = "a time of day such as 08:30, at most 24:00"

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**{"max_length": 5, "blank": True, **kwargs})


class TimeZoneField(_Patterned, models.CharField):
    """The name of a time zone, as this service and its database both know it."""

    # No digits but these: PostgreSQL reads "Here5" as a rule of its own making
    pattern = "UTC|[A-Za-z_-]+(/[A-Za-z_-]+)+|Etc/GMT[+-][0-9]{1,2}"
    expected = "the name of a time zone, such as Europe/Lisbon"

    def run_validators(self, value: Any) -> None:
        super().run_validators(value)
        if value not in _time_zones():
            raise self._wrong()

    def conditions(self, column: str) -> list[str]:
        return [*super().conditions(column), f"zonebook_is_time_zone({column})"]


@functools.cache
def _time_zones() -> frozenset[str]:
    # The library walks through a folder of files each time
    return frozenset(available_timezones())


class EmailField(LineField):
    """An address of electronic mail."""

    @property
    def expected(self) -> str:
        return "an address such as name@example.com"

    def run_validators(self, value: Any) -> None:
        super().run_validators(value)
        if value:
            validate_email(value)
