"""What every field of the record has, and the fields of all values but texts."""

from __future__ import annotations

import datetime as dt
import enum
import ipaddress
import math
import re
from collections.abc import Callable, Iterable, Sequence
from typing import Any, ClassVar

from django.contrib.postgres.fields import ArrayField
from django.core.exceptions import ValidationError
from django.db import models

FIRST_DAY, LAST_DAY = dt.date(1970, 1, 1), dt.date(2200, 12, 31)
"""The range of every day and time: of facts, of ``as_of``, of filters."""


class Fact(models.Field):
    """What every field of the record has: one parser, one sentence, one schema."""

    unit: str = ""
    minimum: float | None = None
    above: float | None = None
    maximum: float | None = None
    json_type: ClassVar[type | tuple[type, ...]] = str

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        # What may be null may be left out
        kwargs.setdefault("blank", kwargs.get("null", False))
        super().__init__(*args, **kwargs)

    @property
    def expected(self) -> str:
        """What a value must be, as the end of a sentence."""
        raise NotImplementedError

    @property
    def schema(self) -> dict[str, Any]:
        """JSON Schema of a value that is not null."""
        raise NotImplementedError

    @property
    def sentence(self) -> str:
        """What the CHECK of the column says to a person."""
        return f"{self.name}: expected {self.expected}{', or null' if self.null else ''}."

    def parse(self, value: Any) -> Any:
        """The value that JSON says; ValidationError names what was expected."""
        if value is None and self.null:
            return None
        if isinstance(value, bool) is not (self.json_type is bool) or not isinstance(value, self.json_type):
            raise self._wrong()
        return self.clean(value, None)

    def write(self, value: Any) -> Any:
        """The JSON of a value."""
        return value

    def clean(self, value: Any, model_instance: models.Model | None) -> Any:
        """Django's check of one value, with one message: what was expected."""
        if value is None and self.null:
            return None
        try:
            return super().clean(value, model_instance)
        except ValidationError as error:
            raise self._wrong() from error

    def conditions(self, column: str) -> list[str]:  # noqa: ARG002 - of those that have some
        """SQL that a value of ``column`` fulfils."""
        return []

    def conditions_each(self, column: str) -> list[str]:
        """SQL that every item of the array ``column`` fulfils."""
        raise NotImplementedError

    def db_check(self, connection: Any) -> str | None:
        return " AND ".join(self.conditions(connection.ops.quote_name(self.column))) or None

    def deconstruct(self) -> Any:
        # Words for people are in no table: a migration keeps what makes the column
        name, path, args, kwargs = super().deconstruct()
        for word in ("help_text", "choices", "verbose_name"):
            kwargs.pop(word, None)
        return name, path, args, kwargs

    def _wrong(self) -> ValidationError:
        return ValidationError(f"expected {self.expected}", code="invalid")


# --- numbers ---


class _Number(Fact):
    def __init__(
        self,
        *args: Any,
        unit: str = "",
        minimum: float | None = None,
        above: float | None = None,
        maximum: float,
        **kwargs: Any,
    ) -> None:
        if (minimum is None) is (above is None):
            raise TypeError("a number has one lower bound: minimum or above")
        self.unit, self.minimum, self.above, self.maximum = unit, minimum, above, maximum
        super().__init__(*args, **kwargs)

    def set_attributes_from_name(self, name: str) -> None:
        if not self.verbose_name:
            self.verbose_name = _called(name, self.unit)
        super().set_attributes_from_name(name)

    _kind: ClassVar[str] = "a number"
    _schema_type: ClassVar[str] = "number"

    @property
    def expected(self) -> str:
        if self.above is not None:
            bounds = f"above {self.above:g} and at most {self.maximum:g}"
        else:
            bounds = f"from {self.minimum:g} to {self.maximum:g}"
        return f"{self._kind} {bounds}{f' [{self.unit}]' if self.unit else ''}"

    @property
    def schema(self) -> dict[str, Any]:
        low = {"minimum": self.minimum} if self.above is None else {"exclusiveMinimum": self.above}
        return {"type": self._schema_type, **low, "maximum": self.maximum}

    def run_validators(self, value: Any) -> None:
        low = value >= self.minimum if self.above is None else value > self.above
        if not (low and value <= self.maximum):
            raise self._wrong()

    def conditions(self, column: str) -> list[str]:
        # NaN is above every number to PostgreSQL
        low = f"{column} >= {self.minimum:g}" if self.above is None else f"{column} > {self.above:g}"
        return [low, f"{column} <= {self.maximum:g}"]

    def conditions_each(self, column: str) -> list[str]:
        low = f"{self.minimum:g} <=" if self.above is None else f"{self.above:g} <"
        return [f"{low} ALL ({column})", f"{self.maximum:g} >= ALL ({column})"]

    def deconstruct(self) -> Any:
        name, path, args, kwargs = super().deconstruct()
        for word in ("unit", "minimum", "above", "maximum"):
            if getattr(self, word) not in (None, ""):
                kwargs[word] = getattr(self, word)
        return name, path, args, kwargs


class QuantityField(_Number, models.FloatField):
    """A number with its unit and the bounds that its trade could meet."""

    json_type = (int, float)

    @property
    def is_share(self) -> bool:
        """Whether it is a part of a whole, which people call by percent."""
        return not self.unit and self.maximum is not None and self.maximum <= 1

    def to_python(self, value: Any) -> Any:
        try:
            number = super().to_python(value)
        except OverflowError as error:
            raise self._wrong() from error
        if number is not None and not math.isfinite(number):
            raise self._wrong()
        return number


class WholeField(_Number, models.SmallIntegerField):
    """A count or a number of something, with bounds."""

    json_type = int
    _kind = "a whole number"
    _schema_type = "integer"


# --- words ---


class _Worded(Fact):
    """A choice among the words of a Django enumeration; a migration needs only the words."""

    words: dict[str, Any]

    def __init__(self, words: type[models.Choices] | Sequence[str], **kwargs: Any) -> None:
        if isinstance(words, type):
            self.words = {word_of(member): member for member in words}
            kwargs["choices"] = words.choices
        else:
            self.words = dict(zip(words, self._stored(words), strict=True))
            kwargs["choices"] = [(value, word) for word, value in self.words.items()]
        self._word_of = {value: word for word, value in self.words.items()}
        super().__init__(**kwargs)

    @staticmethod
    def _stored(words: Sequence[str]) -> Iterable[Any]:
        """What stands in the column for each word."""
        return words

    @property
    def expected(self) -> str:
        return f"one of {', '.join(self.words)}"

    @property
    def schema(self) -> dict[str, Any]:
        return {"enum": list(self.words)}

    def parse(self, value: Any) -> Any:
        if value is None and self.null:
            return None
        if isinstance(value, enum.Enum) and value in self.words.values():
            return value
        if not isinstance(value, str) or value not in self.words:
            raise self._wrong()
        return self.words[value]

    def write(self, value: Any) -> Any:
        return None if value is None else self._word_of[value]

    def clean(self, value: Any, model_instance: models.Model | None) -> Any:
        # What may be left out is null, never an empty word
        if value == "":
            raise self._wrong()
        return super().clean(value, model_instance)

    def deconstruct(self) -> Any:
        name, path, args, kwargs = super().deconstruct()
        return name, path, [list(self.words), *args], kwargs


class WordField(_Worded, models.CharField):
    """A choice among given words, kept as the word."""

    def __init__(self, words: type[models.Choices] | Sequence[str], **kwargs: Any) -> None:
        listed = [word_of(member) for member in words] if isinstance(words, type) else words
        kwargs.setdefault("max_length", max(map(len, listed)))
        super().__init__(words, **kwargs)

    def conditions(self, column: str) -> list[str]:
        return [f"{column} IN ({', '.join(repr(word) for word in self.words)})"]

    def conditions_each(self, column: str) -> list[str]:
        return [f"{column} <@ ARRAY[{', '.join(repr(word) for word in self.words)}]::varchar[]"]


class NumberedWordField(_Worded, models.SmallIntegerField):
    """A choice among given words, kept as its position among them."""

    @staticmethod
    def _stored(words: Sequence[str]) -> Iterable[Any]:
        return range(len(words))

    def conditions(self, column: str) -> list[str]:
        return [f"{column} BETWEEN 0 AND {len(self.words) - 1}"]


def word_of(member: enum.Enum) -> str:
    """How JSON says a choice: always a word."""
    return member.value if isinstance(member.value, str) else member.name.lower()


# --- days, yes or no, addresses, lists ---


class DayField(Fact, models.DateField):
    """A day, in the range of all days."""

    # Where it is left out, a trigger may give it
    db_returning = True
    json_type = (str, dt.date)
    expected = f"a day such as 2026-11-25, from {FIRST_DAY.year} to {LAST_DAY.year}"
    schema = {"type": "string", "format": "date", "description": f"From {FIRST_DAY} to {LAST_DAY}."}

    def to_python(self, value: Any) -> Any:
        if isinstance(value, str) and not re.fullmatch(r"\d{4}-\d\d-\d\d", value):
            raise self._wrong()
        if isinstance(value, dt.datetime):
            raise self._wrong()
        return super().to_python(value)

    def write(self, value: Any) -> Any:
        return None if value is None else value.isoformat()

    def run_validators(self, value: Any) -> None:
        if not FIRST_DAY <= value <= LAST_DAY:
            raise self._wrong()

    def conditions(self, column: str) -> list[str]:
        return [f"{column} BETWEEN '{FIRST_DAY}' AND '{LAST_DAY}'"]

    def conditions_each(self, column: str) -> list[str]:
        return [f"'{FIRST_DAY}' <= ALL ({column})", f"'{LAST_DAY}' >= ALL ({column})"]


class FlagField(Fact, models.BooleanField):
    """Yes or no; null where it is not recorded."""

    json_type = bool
    expected = "true or false"
    schema = {"type": "boolean"}


class AddressField(Fact, models.GenericIPAddressField):
    """An address on a network, of either version of IP."""

    expected = "a network address such as 10.1.0.5 or 2001:db8::5"
    LONGEST = 45  # of version 6 with one of version 4 in it
    schema = {"type": "string", "maxLength": LONGEST}

    def to_python(self, value: Any) -> Any:
        try:
            # A scope ("%eth0") means nothing on another machine
            if value is None or "%" in value:
                return None
            return str(ipaddress.ip_address(value.strip()[: self.LONGEST + 1]))
        except ValueError as error:
            raise self._wrong() from error

    def clean(self, value: Any, model_instance: models.Model | None) -> Any:
        if isinstance(value, str) and "%" in value:
            raise self._wrong()
        return super().clean(value, model_instance)

    def conditions(self, column: str) -> list[str]:
        return [f"{column} = host({column})::inet"]


def _called(name: str, unit: str) -> str:
    """What people call a field that does not say it: its name without the unit."""
    return " ".join(name.split("_")[: -1 if unit else None])


class ListField(Fact, ArrayField):
    """A list of values of one kind, none of them blank."""

    json_type = (list, tuple)
    base_field: Fact

    def __init__(self, base_field: Fact, *, max_items: int, **kwargs: Any) -> None:
        self.max_items = max_items
        super().__init__(base_field, **kwargs)

    def set_attributes_from_name(self, name: str) -> None:
        if not self.verbose_name:
            self.verbose_name = _called(name, getattr(self.base_field, "unit", ""))
        super().set_attributes_from_name(name)

    @property
    def expected(self) -> str:
        return f"a list of at most {self.max_items} items, each {self.base_field.expected}"

    @property
    def schema(self) -> dict[str, Any]:
        return {"type": "array", "items": self.base_field.schema, "maxItems": self.max_items}

    def write(self, value: Any) -> Any:
        return [self.base_field.write(item) for item in value]

    def parse(self, value: Any) -> Any:
        if not isinstance(value, list | tuple):
            raise self._wrong()
        return self._each(self.base_field.parse, value)

    def clean(self, value: Any, model_instance: models.Model | None) -> Any:
        return self._each(lambda item: self.base_field.clean(item, model_instance), value)

    def _each(self, read: Callable[[Any], Any], value: Any) -> list[Any]:
        try:
            if value is not None and len(value) <= self.max_items:
                return [read(item) for item in value]
        except ValidationError as error:
            raise self._wrong() from error
        raise self._wrong()

    def conditions(self, column: str) -> list[str]:
        return [
            f"cardinality({column}) <= {self.max_items}",
            f"array_position({column}, NULL) IS NULL",
            *self.base_field.conditions_each(column),
        ]

    def deconstruct(self) -> Any:
        name, path, args, kwargs = super().deconstruct()
        return name, path, args, {**kwargs, "max_items": self.max_items}
