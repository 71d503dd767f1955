"""Fields that state a fact once: its type, unit, bounds and words.

From a field derive the column with its CHECK, the parameter of an operation, the schema in the API, the
as-built column and the sentence of the constraint (``table_column_check``). What they have in common is
``Fact``: ``parse`` a JSON value, ``write`` it back, ``expected`` in words, ``schema``; beside that ``unit``,
``minimum``, ``above``, ``maximum``, ``max_length`` and ``help_text``.
"""

from __future__ import annotations

import datetime as dt
import enum
import functools
import ipaddress
import math
import re
import unicodedata
from collections.abc import Callable, Iterable, Sequence
from typing import Any, ClassVar
from zoneinfo import available_timezones

from django.contrib.postgres.fields import ArrayField
from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db import models

FIRST_DAY, LAST_DAY = dt.date(1970, 1, 1), dt.date(2200, 12, 31)
LARGEST_ID = 2**63 - 1

# Invisible characters: controls, zero-width, bidirectional marks, tags. The same text is a regular
# expression of Python and of PostgreSQL (``zonebook_is_line`` and ``zonebook_is_text``)
UNSEEN = (
    r"\u0001-\u0008\u000B-\u001F\u007F-\u009F\u00AD\u034F\u061C\u115F\u1160\u17B4\u17B5\u180B-\u180F"
    r"\u200B-\u200F\u2028-\u202E\u2060-\u206F\u3164\uFE00-\uFE0F\uFEFF\uFFA0\uFFF0-\uFFFB"
    r"\U000E0000-\U000E0FFF"
)
_UNSEEN_IN_TEXT = re.compile(f"[\0{UNSEEN}\ud800-\udfff]")
_UNSEEN_IN_LINE = re.compile(f"[\0\t\n{UNSEEN}\ud800-\udfff]")


class Fact(models.Field):
    """What every field of the record has: one parser, one sentence, one schema."""

    unit: str = ""
    minimum: float | None = None
    above: float | None = None
    maximum: float | None = None
    json_type: ClassVar[type | tuple[type, ...]] = str

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


# --- numbers -----------------------------------------------------------------------


class _Bounded(Fact):
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
        # What people call it: its name without the unit, unless it says otherwise
        if not self.verbose_name:
            self.verbose_name = " ".join(name.split("_")[: -1 if self.unit else None])
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


class QuantityField(_Bounded, models.FloatField):
    """A number with its unit and the bounds that its trade could meet."""

    json_type = (int, float)

    def to_python(self, value: Any) -> Any:
        try:
            number = super().to_python(value)
        except OverflowError as error:
            raise self._wrong() from error
        if number is not None and not math.isfinite(number):
            raise self._wrong()
        return number


class WholeField(_Bounded, models.SmallIntegerField):
    """A count or a number of something, with bounds."""

    json_type = int
    _kind = "a whole number"
    _schema_type = "integer"


# --- texts -----------------------------------------------------------------------


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
        return [*super().conditions(column), f"timezone({column}, now()) IS NOT NULL"]


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


class AddressField(Fact, models.GenericIPAddressField):
    """An address on a network, of either version of IP."""

    expected = "a network address such as 10.1.0.5 or 2001:db8::5"
    schema = {"type": "string"}

    def to_python(self, value: Any) -> Any:
        try:
            # A scope ("%eth0") means nothing on another machine
            return None if value is None or "%" in value else str(ipaddress.ip_address(value.strip()))
        except ValueError as error:
            raise self._wrong() from error

    def clean(self, value: Any, model_instance: models.Model | None) -> Any:
        if isinstance(value, str) and "%" in value:
            raise self._wrong()
        return super().clean(value, model_instance)

    def conditions(self, column: str) -> list[str]:
        return [f"{column} = host({column})::inet"]


# --- days, words, flags, lists -----------------------------------------------------------------------


class DayField(Fact, models.DateField):
    """A day; one range for all recorded days."""

    # Where it is left out, a trigger may give it
    db_returning = True
    json_type = (str, dt.date)
    expected = f"a day such as 2026-11-25, from {FIRST_DAY.year} to {LAST_DAY.year}"
    schema = {"type": "string", "format": "date"}

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


class _Worded(Fact):
    """One of some words, by an enumeration of Django's; a migration needs the words alone."""

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

    def deconstruct(self) -> Any:
        name, path, args, kwargs = super().deconstruct()
        return name, path, [list(self.words), *args], kwargs


class WordField(_Worded, models.CharField):
    """One of some words, kept as the word."""

    def __init__(self, words: type[models.Choices] | Sequence[str], **kwargs: Any) -> None:
        listed = [word_of(member) for member in words] if isinstance(words, type) else words
        kwargs.setdefault("max_length", max(map(len, listed)))
        super().__init__(words, **kwargs)

    def conditions(self, column: str) -> list[str]:
        return [f"{column} IN ({', '.join(repr(word) for word in self.words)})"]


class NumberedWordField(_Worded, models.SmallIntegerField):
    """One of some words, kept as its place among them."""

    @staticmethod
    def _stored(words: Sequence[str]) -> Iterable[Any]:
        return range(len(words))

    def conditions(self, column: str) -> list[str]:
        return [f"{column} BETWEEN 0 AND {len(self.words) - 1}"]


class FlagField(Fact, models.BooleanField):
    """Yes or no; null where it is not recorded."""

    json_type = bool
    expected = "true or false"
    schema = {"type": "boolean"}


class ListField(Fact, ArrayField):
    """A list of values of one kind, none of them blank."""

    json_type = (list, tuple)
    base_field: Fact

    def __init__(self, base_field: Fact, *, max_items: int, **kwargs: Any) -> None:
        self.max_items = max_items
        super().__init__(base_field, **kwargs)

    @property
    def expected(self) -> str:
        return f"a list of at most {self.max_items} items, each {self.base_field.expected}"

    @property
    def schema(self) -> dict[str, Any]:
        return {"type": "array", "items": self.base_field.schema, "maxItems": self.max_items}

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


def word_of(member: enum.Enum) -> str:
    """How JSON says a choice: always a word."""
    return member.value if isinstance(member.value, str) else member.name.lower()


# --- whose row it is -----------------------------------------------------------------------


class CurrentStep(models.Func):
    """The step of the change set that the transaction has named (``SET LOCAL zonebook.change_set``)."""

    function = "zonebook_step"
    template = "%(function)s()"
    output_field = models.BigIntegerField()


class CurrentChangeSet(models.Func):
    """The change set that the transaction has named."""

    function = "zonebook_change_set"
    template = "%(function)s()"
    output_field = models.BigIntegerField()


def facts_of(model: type[models.Model], *but: str) -> tuple[str, ...]:
    """The fields of a model that a person states: its facts and its references, but for the key, the site,
    and those of ``but``."""
    left_out = {*but, *getattr(model._meta.pk, "field_names", ())}
    return tuple(
        field.name
        for field in model._meta.local_fields
        if isinstance(field, Fact | SiteKey | SharedKey) and not left_out & {field.name, field.attname}
    )


def columns_of(model: type[models.Model], *but: str) -> tuple[str, ...]:
    """The same by the names under which they are shown: a reference by the id of its row."""
    shown = {field.name: field.attname for field in model._meta.local_fields}
    return tuple(shown[name] for name in facts_of(model, *but))


class StepField(models.BigIntegerField):
    """A place in the order of a site's changes; where it is not null, that of the change set at hand."""

    # A trigger gives a change set its step, and the INSERT says which
    db_returning = True

    def __init__(self, *, null: bool = False) -> None:
        some: dict[str, Any] = {"blank": True} if null else {"db_default": CurrentStep()}
        super().__init__(null=null, editable=False, **some)

    def deconstruct(self) -> Any:
        name, path, args, _ = super().deconstruct()
        return name, path, args, {"null": True} if self.null else {}


class GivenMomentField(models.DateTimeField):
    """A moment that a trigger gives."""

    db_returning = True


class _Key(models.ForeignKey):
    """A foreign key whose usual words a migration need not repeat."""

    usual: ClassVar[dict[str, Any]] = {}

    def __init__(self, to: Any, on_delete: Any = models.PROTECT, **kwargs: Any) -> None:
        if kwargs.get("null"):
            kwargs["blank"] = True
        super().__init__(to, on_delete, **{"related_name": "+", **self.usual, **kwargs})

    def deconstruct(self) -> Any:
        name, path, _, kwargs = super().deconstruct()
        to = kwargs.pop("to")
        left_out = {"help_text", "verbose_name", "blank", "on_delete", *(kwargs.keys() & self.usual.keys())}
        kept = {word: value for word, value in kwargs.items() if word not in left_out}
        for word, value in self.usual.items():
            if getattr(self, word, value) != value:
                kept[word] = getattr(self, word)
        if self.remote_field.related_name in (None, "+"):
            kept.pop("related_name", None)
        return name, path, [to], kept


class SiteKey(_Key):
    """A reference to a row of the same site. The database holds it by a key of two columns, (site, row),
    which ``sites.changes.sql_v1.site_keys`` adds."""

    usual: ClassVar[dict[str, Any]] = {"db_constraint": False}


class SharedKey(_Key):
    """A reference to a row that all sites share: of the catalogue."""


class OfSite(_Key):
    """The site that a row belongs to."""

    def __init__(self, to: Any = "sites.Site", **kwargs: Any) -> None:
        super().__init__(to, **kwargs)


class WriterKey(_Key):
    """The change set that last wrote the row, and so its version: the statement triggers refuse any other
    value, which is why the column needs no foreign key of its own."""

    usual: ClassVar[dict[str, Any]] = {"db_constraint": False, "db_index": False, "editable": False}

    def __init__(self, to: Any = "sites.ChangeSet", **kwargs: Any) -> None:
        super().__init__(to, db_default=CurrentChangeSet(), **kwargs)

    def deconstruct(self) -> Any:
        name, path, args, _ = super().deconstruct()
        return name, path, args, {}


# --- facts that stand in several tables ---------------------------------------------------------------------


def current(text: str = "") -> QuantityField:
    """What one speaker or horn draws from its DC."""
    return QuantityField(unit="A", minimum=0, maximum=20, null=True, blank=True, help_text=text)


def length(text: str = "") -> QuantityField:
    """How long a cable is."""
    return QuantityField(unit="m", minimum=0, maximum=10_000, null=True, blank=True, help_text=text)


def rating(unit: str, maximum: float, text: str = "", **kwargs: Any) -> QuantityField:
    """A rating above zero; null where it is not recorded."""
    return QuantityField(unit=unit, above=0, maximum=maximum, null=True, blank=True, help_text=text, **kwargs)


def power(maximum: float, text: str = "", **kwargs: Any) -> QuantityField:
    """Power drawn or allocated; null where it is not recorded."""
    return QuantityField(
        unit="W", minimum=0, maximum=maximum, null=True, blank=True, help_text=text, **kwargs
    )


def tap(**kwargs: Any) -> QuantityField:
    """The power of a transformer tap."""
    return QuantityField(unit="W", above=0, maximum=500, **kwargs)


def line_voltage(**kwargs: Any) -> QuantityField:
    """The voltage of a constant-voltage line."""
    return QuantityField(unit="V", above=0, maximum=250, **kwargs)


def poe_class(**kwargs: Any) -> WholeField:
    return WholeField(minimum=0, maximum=8, null=True, blank=True, **kwargs)


def port_type(text: str) -> WholeField:
    """IEEE 802.3 type of a port that powers devices."""
    return WholeField(minimum=1, maximum=4, null=True, blank=True, verbose_name="port type", help_text=text)


def power_supplies(text: str, **kwargs: Any) -> WholeField:
    """How many power supplies a switch has, or takes."""
    return WholeField(minimum=1, maximum=16, null=True, blank=True, help_text=text, **kwargs)


def port_count(**kwargs: Any) -> WholeField:
    """How many ports a switch has."""
    return WholeField(minimum=0, maximum=512, **kwargs)


def block_row(**kwargs: Any) -> WholeField:
    """A row of a termination block, or how many rows it has."""
    return WholeField(minimum=1, maximum=400, **kwargs)


def pairs(**kwargs: Any) -> WholeField:
    """A pair of a cable by its number, or how many are paralleled."""
    return WholeField(minimum=1, maximum=25, **kwargs)


def device_count() -> WholeField:
    """How many devices an uncounted group may hold."""
    return WholeField(minimum=0, maximum=1000, null=True, blank=True)
