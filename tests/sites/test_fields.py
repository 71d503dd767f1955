"""A fact is described once: by its field. The column's rule, the operation's parameter, the schema and the
sentence say the same."""

from __future__ import annotations

import datetime as dt
import math
import unicodedata
from collections.abc import Callable
from typing import Any

import pytest
from django.apps import apps
from django.core.exceptions import ValidationError
from django.db import connection, models

from sites import fields
from sites.changes.constraints import facts
from sites.changes.operations import Operation, operations
from sites.fields import Fact
from sites.models import Contact, DeviceModel, Endpoint, EndpointFacts, Site
from zones.models import PointFacts, Test, Zone

FACTS = sorted(facts().items())
NAMES = [name for name, _ in FACTS]


def definition(name: str) -> str | None:
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_get_constraintdef(oid) FROM pg_constraint WHERE conname = %s", [name])
        found = cursor.fetchone()
    return found and str(found[0])


def database_takes(name: str, field: Fact, value: Any) -> bool:
    """Whether the CHECK of the column, as it stands in the database, lets ``value`` by."""
    rule = definition(name)
    assert rule is not None, f"{name} is not there"
    rule = rule.removeprefix("CHECK ")
    kind = field.db_type(connection)
    with connection.cursor() as cursor:
        cursor.execute(
            f'SELECT {rule} FROM (SELECT %s::{kind} AS "{field.column}") AS one',
            [value],
        )
        # A CHECK that is null lets a row by
        return bool(cursor.fetchone()[0] is not False)


def field_takes(field: Fact, value: Any) -> bool:
    try:
        return bool(field.clean(value, None) == value)
    except ValidationError:
        return False


def numbers(field: Any) -> list[Any]:
    low: Any = field.minimum if field.above is None else field.above
    if isinstance(field, fields.WholeField):
        return [int(low) - 1, int(low), int(field.maximum or 0), int(field.maximum or 0) + 1, 32767]
    step = (field.maximum - low) / 1000
    near = [low - step, low, low + step, field.maximum - step, field.maximum, field.maximum + step]
    return [*near, 1e20, 1e300, -1e20, math.inf, -math.inf, math.nan]


def listed(field: Any) -> list[Any]:
    items = samples(field.base_field)
    good = next(item for item in items if item and field_takes(field.base_field, item))
    lengths = [[], [good] * field.max_items, [good] * (field.max_items + 1), [good, None]]
    return [*lengths, *([item] for item in items)]


# For each kind of field: values at its bounds, just inside them, and far outside. The first kind that fits
SAMPLES: list[tuple[type[Fact], Callable[[Any], list[Any]]]] = [
    (fields.QuantityField, numbers),
    (fields.WholeField, numbers),
    (fields.ListField, listed),
    (fields.MacField, lambda _: ["", "00:1b:44:11:3a:b7", "zz", "00:1B:44:11:3A:B7", "001b44113ab7"]),
    (fields.CodeField, lambda _: ["", "north-quay_2", "north quay", "é", "a\n"]),
    (
        fields.TimeZoneField,
        lambda _: [
            *("UTC", "Europe/Lisbon", "Etc/GMT+5", "America/Port-au-Prince", "UTC+3", "Here5", "CEST"),
            *("utc", "europe/lisbon", "EUROPE/LISBON", ""),
        ],
    ),
    (fields.TimeOfDayField, lambda _: ["", "08:00", "24:00", "23:59", "8:00", "24:01", "12:60", "25:00"]),
    (fields.EmailField, lambda _: ["", "desk@example.org", "a\u200bb@example.org"]),
    (
        fields.NoteField,
        lambda field: (
            ["", "two\nlines", " ends", "a\u200bb", "a\x07b", "\u202eabc"]
            + ["x" * length for length in (field.max_length, field.max_length + 1)]
        ),
    ),
    (
        fields.LineField,
        lambda _: ["", "Hall", "two\nlines", "The  hall", " hall", "a\u200bb", "a\u00a0b", "e\u0301"],
    ),
    (
        fields.DayField,
        lambda _: [dt.date(1969, 12, 31), fields.FIRST_DAY, fields.LAST_DAY, dt.date(2201, 1, 1)],
    ),
    (fields.NumberedWordField, lambda field: [-1, 0, len(field.words) - 1, len(field.words)]),
    (fields.WordField, lambda field: [*field.words, "", "trumpet"[: field.max_length]]),
    (fields.AddressField, lambda _: ["10.1.0.5", "2001:db8::5"]),
]


def samples(field: Fact) -> list[Any]:
    return next(tried for kind, tried in SAMPLES if isinstance(field, kind))(field)


@pytest.mark.django_db
@pytest.mark.parametrize("name", NAMES)
def test_the_database_takes_what_the_field_takes(name: str) -> None:
    field = facts()[name]
    if isinstance(field, fields.FlagField):
        assert definition(name) is None, "a column of true and false needs no rule"
        return
    tried = samples(field)
    said = {repr(value): database_takes(name, field, value) for value in tried}
    assert said == {repr(value): field_takes(field, value) for value in tried}
    assert True in said.values()
    assert False in said.values() or isinstance(field, fields.AddressField)


@pytest.mark.django_db
def test_an_address_is_of_one_machine() -> None:
    name = "endpoint_facts_address_check"
    assert not database_takes(name, facts()[name], "10.1.0.0/16")
    for text in ("10.1.0.0/16", "fe80::1%eth0", "10.1.0.256", "gateway"):
        with pytest.raises(ValidationError):
            facts()[name].parse(text)
    assert facts()[name].parse("2001:DB8:0::5") == "2001:db8::5"


@pytest.mark.django_db
def test_python_and_the_database_see_the_same_characters() -> None:
    def refused(rule: str) -> set[str]:
        with connection.cursor() as cursor:
            cursor.execute(
                f"SELECT number FROM generate_series(1, 1114111) AS number "
                f"WHERE number NOT BETWEEN 55296 AND 57343 AND NOT {rule}('a' || chr(number) || 'b')"
            )
            return {chr(number) for (number,) in cursor.fetchall()}

    line, note = fields.LineField(max_length=9), fields.NoteField(max_length=9)
    everything = [chr(number) for number in range(1, 0x110000) if not 0xD800 <= number < 0xE000]
    # What Python's tables do not know yet may be one of two forms to a newer database
    known = {letter for letter in everything if unicodedata.category(letter) != "Cn"}
    assert refused("zonebook_is_line") & known == {
        letter for letter in known if not field_takes(line, f"a{letter}b")
    }
    assert refused("zonebook_is_text") & known == {
        letter for letter in known if not field_takes(note, f"a{letter}b")
    }


@pytest.mark.parametrize("name", NAMES)
def test_the_sentence_says_what_the_field_expects(name: str) -> None:
    field = facts()[name]
    assert field.sentence.startswith(f"{field.name}: expected {field.expected}")
    for bound in (field.minimum, field.above, field.maximum):
        if bound is not None:
            assert f" {bound:g}" in field.expected
    if field.unit:
        assert f"[{field.unit}]" in field.expected


RECORD = [
    model
    for model in apps.get_models()
    if model._meta.app_label in ("sites", "zones")
    and any(isinstance(field, fields.WriterKey) for field in model._meta.local_fields)
]


@pytest.mark.parametrize("model", RECORD, ids=lambda model: model.__name__)
def test_every_column_of_the_record_is_a_fact(model: type[models.Model]) -> None:
    """A plain number or text has no bounds: what is recorded of a site or in the catalogue has some."""
    plain = [
        field.name
        for field in model._meta.local_fields
        if not isinstance(field, Fact | models.ForeignKey | models.AutoField | fields.StepField)
        and not (field.primary_key or not field.editable)
    ]
    # A reading holds the step of its day; the service works it out
    assert plain == (["step"] if model is Test else [])


@pytest.mark.parametrize("each", operations(), ids=lambda each: each.name)
def test_a_parameter_is_the_field_of_its_model(each: Operation[Any, Any]) -> None:
    for name, parameter in each.parameters.items():
        for model in each.of:
            own = {field.name: field for field in model._meta.local_fields}
            # What a pair carries is said of both its conductors at once
            if name in own and parameter.fact is not None and (each.name, name) != ("landing.add", "carries"):
                assert parameter.fact is own[name]
        if parameter.fact is not None:
            schema = parameter.fact.schema
            bounds = [schema.get("minimum"), schema.get("exclusiveMinimum"), schema.get("maximum")]
            assert bounds == [parameter.fact.minimum, parameter.fact.above, parameter.fact.maximum]


@pytest.mark.parametrize(
    ("field", "text", "kept"),
    [
        (Endpoint._meta.get_field("mac"), "00-1B-44-11-3A-B7", "00:1b:44:11:3a:b7"),
        (Endpoint._meta.get_field("mac"), "001b.4411.3ab7", "00:1b:44:11:3a:b7"),
        (Zone._meta.get_field("name"), "  Ticket \u00a0 hall ", "Ticket hall"),
        (Zone._meta.get_field("name"), "Cafe\u0301", "Caf\u00e9"),
        (Zone._meta.get_field("note"), "one\r\ntwo \n", "one\ntwo"),
        (Contact._meta.get_field("email"), " desk@example.org ", "desk@example.org"),
        (EndpointFacts._meta.get_field("multicast_group"), " 239.1.1.1 ", "239.1.1.1"),
        (Site._meta.get_field("surveyed_on"), "2026-02-03", dt.date(2026, 2, 3)),
        (PointFacts._meta.get_field("length_basis"), "measured", 4),
        (DeviceModel._meta.get_field("taps_w"), [1, 2.5], [1.0, 2.5]),
        (DeviceModel._meta.get_field("speech_current_a"), 20, 20.0),
        (DeviceModel._meta.get_field("speech_current_a"), None, None),
    ],
)
def test_a_value_is_kept_in_one_form(field: Fact, text: Any, kept: Any) -> None:
    assert field.parse(text) == kept
    assert field.parse(field.write(kept)) == kept


@pytest.mark.parametrize(
    ("field", "value"),
    [
        (DeviceModel._meta.get_field("speech_current_a"), 350),
        (DeviceModel._meta.get_field("speech_current_a"), 1e20),
        (DeviceModel._meta.get_field("speech_current_a"), True),
        (DeviceModel._meta.get_field("speech_current_a"), "0.1"),
        (DeviceModel._meta.get_field("taps_w"), 5.0),
        (DeviceModel._meta.get_field("taps_w"), [5.0, None]),
        (DeviceModel._meta.get_field("name"), None),
        (DeviceModel._meta.get_field("name"), "  "),
        (DeviceModel._meta.get_field("output_count"), 1.0),
        (Endpoint._meta.get_field("mac"), "zz"),
        (Site._meta.get_field("time_zone"), "Atlantis/Main_Street"),
        (Site._meta.get_field("surveyed_on"), "20260203"),
        (PointFacts._meta.get_field("length_basis"), 4),
        (Contact._meta.get_field("email"), "desk"),
    ],
)
def test_a_value_that_does_not_fit_says_what_was_expected(field: Fact, value: Any) -> None:
    with pytest.raises(ValidationError) as caught:
        field.parse(value)
    assert caught.value.messages == [f"expected {field.expected}"]


@pytest.mark.parametrize(("name", "called"), [("line_voltages_v", "line voltages"), ("taps_w", "taps")])
def test_a_list_is_called_without_the_unit_of_what_it_holds(name: str, called: str) -> None:
    (field,) = (one for one in DeviceModel._meta.concrete_fields if one.name == name)
    assert field.verbose_name == called
