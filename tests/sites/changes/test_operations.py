"""The registry: every operation says what it is and what it takes."""

from __future__ import annotations

import datetime as dt
import re
from typing import Annotated, Any

import pytest

from sites.changes.operations import Operation, Use, operation, operations
from sites.changes.parameters import Parameter, Reference, parameters_of, parse_values
from sites.changes.work import Work
from sites.fields import (
    DayField,
    FlagField,
    ListField,
    NoteField,
    NumberedWordField,
    WholeField,
    WordField,
    length,
)
from sites.models import Basis, Closet, Contact
from tests import factories


def sample(
    work: Work,
    *,
    closet: Closet,
    length_m: Annotated[float, length()],
    note: Annotated[str, NoteField()] = "",
    flag: Annotated[bool, FlagField()] = False,
    basis: Annotated[Basis, NumberedWordField(Basis)] = Basis.UNKNOWN,
    role: Annotated[Contact.Role | None, WordField(Contact.Role)] = None,
    day: Annotated[dt.date | None, DayField()] = None,
    numbers: Annotated[list[int] | None, ListField(WholeField(minimum=1, maximum=9), max_items=3)] = None,
    others: list[Closet] | None = None,
) -> None: ...


PARAMETERS = parameters_of(sample)


def read(body: dict[str, Any]) -> tuple[dict[str, Any], list[Any]]:
    return parse_values(PARAMETERS, body, labels=True)


def written(values: dict[str, Any]) -> dict[str, Any]:
    return {PARAMETERS[name].key: PARAMETERS[name].write(value) for name, value in values.items()}


@pytest.mark.parametrize("each", operations(), ids=lambda each: each.name)
def test_an_operation_says_what_it_is_and_takes(each: Operation[Any, Any]) -> None:
    assert re.fullmatch(r"[a-z_]+\.[a-z]+", each.name)
    assert re.fullmatch(r"[A-Z].*\.", each.sentence)
    schema = each.schema
    assert set(schema["required"]) <= set(schema["properties"])
    assert all(parameter.expected for parameter in each.parameters.values())
    assert (each.use is Use.CORRECTION) == (each.name.split(".")[1] in ("correct", "found"))


def test_a_name_is_given_once() -> None:
    taken = operations()[0].name
    with pytest.raises(ValueError, match=f"two operations {taken}"):
        operation(taken, "Again.")(sample)


def test_values_come_from_json_and_go_back() -> None:
    body = {
        "closet_id": 7,
        "length_m": 3,
        "note": " damp ",
        "basis": "drawing",
        "role": "key_holder",
        "day": "2025-02-03",
        "numbers": [1, 2],
        "other_ids": [8, "@new"],
    }
    values, problems = read(body)
    assert problems == []
    assert values == {
        "closet": Reference(Closet, 7),
        "length_m": 3.0,
        "note": "damp",
        "basis": Basis.DRAWING,
        "role": Contact.Role.KEY_HOLDER,
        "day": dt.date(2025, 2, 3),
        "numbers": [1, 2],
        "others": [Reference(Closet, 8), Reference(Closet, "@new")],
    }
    assert written({**values, "closet": Closet(pk=7)}) == {**body, "length_m": 3.0, "note": "damp"}


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("closet_id", "seven"),
        ("closet_id", True),
        ("closet_id", "@"),
        ("closet_id", None),
        ("closet_id", 2**63),
        ("closet_id", 0),
        ("length_m", "3"),
        ("length_m", float("nan")),
        ("length_m", 10**400),
        ("length_m", 1e20),
        ("length_m", -1),
        ("note", 3),
        ("note", "a\0b"),
        ("note", "\ud800"),
        ("note", "a\u200bb"),
        ("note", "x" * 4001),
        ("flag", 1),
        ("basis", 2),
        ("basis", "certain"),
        ("day", "3 February"),
        ("day", 20250203),
        ("day", dt.datetime(2025, 2, 3, tzinfo=dt.UTC)),
        ("numbers", 1),
        ("numbers", [1, "2"]),
        ("numbers", [1, 10]),
        ("numbers", [1, 2, 3, 4]),
        ("other_ids", 8),
        ("other_ids", [8, "new"]),
    ],
)
def test_a_value_of_another_kind_is_named_with_what_would_be_right(name: str, value: object) -> None:
    values, problems = read({"closet_id": 7, "length_m": 3.0, name: value})
    (problem,) = problems
    assert problem.path == f"/{name}"
    assert "expected" in problem.detail
    assert len(values) == (1 if name in ("closet_id", "length_m") else 2)


def test_outside_a_draft_a_row_is_named_by_its_id_alone() -> None:
    _, problems = parse_values(PARAMETERS, {"closet_id": "@new", "length_m": 3.0})
    assert [problem.path for problem in problems] == ["/closet_id"]


def test_a_parameter_is_a_field_or_says_which() -> None:
    def untold(work: Work, *, width: int) -> None: ...

    with pytest.raises(TypeError, match="width"):
        parameters_of(untold)
    with pytest.raises(TypeError, match="colour"):
        parameters_of(sample, [Closet], ["colour"])
    assert parameters_of(sample, [Closet], ["building"])["building"] == Parameter(
        "building", required=False, nullable=False, fact=Closet._meta.get_field("building")
    )


def test_what_is_missing_and_what_is_too_much_are_named_together() -> None:
    _, problems = read({"lenght_m": 3.0})
    assert [(problem.path, problem.code) for problem in problems] == [
        ("/closet_id", "required"),
        ("/length_m", "required"),
        ("/lenght_m", "unknown"),
    ]
    assert "Did you mean length_m?" in problems[-1].detail


@pytest.mark.django_db
def test_a_service_says_the_same_as_its_json(closet: Closet) -> None:
    from sites.services.power import supply_add

    body = supply_add.body(closet=closet, name="PS 1", battery_installed_on=dt.date(2025, 1, 2))
    assert body == {
        "op": "supply.add",
        "closet_id": closet.pk,
        "name": "PS 1",
        "battery_installed_on": "2025-01-02",
    }
    done = supply_add(factories.change(closet.site), closet=closet, name="PS 1")
    assert done.change_set.operations == [{"op": "supply.add", "closet_id": closet.pk, "name": "PS 1"}]
