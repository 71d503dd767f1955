"""The registry: every operation says what it is and what it takes."""

from __future__ import annotations

import datetime as dt
import re
from typing import Any, TypedDict, Unpack

import pytest

from sites.changes.operations import Operation, Use, operation, operations
from sites.changes.parameters import Reference, parameters_of, read_parameters, write_parameters
from sites.changes.work import Work
from sites.models import Basis, Closet, Contact
from tests import factories


class Details(TypedDict, total=False):
    basis: Basis
    role: Contact.Role
    day: dt.date | None
    numbers: list[int]


def sample(
    work: Work,
    *,
    closet: Closet,
    length_m: float,
    note: str = "",
    flag: bool = False,
    **rest: Unpack[Details],
) -> None: ...


PARAMETERS = parameters_of(sample)


@pytest.mark.parametrize("each", operations(), ids=lambda each: each.name)
def test_an_operation_says_what_it_is_and_takes(each: Operation[Any, Any]) -> None:
    assert re.fullmatch(r"[a-z_]+\.[a-z]+", each.name)
    assert re.fullmatch(r"[A-Z].*\.", each.sentence)
    schema = each.schema
    assert set(schema["required"]) <= set(schema["properties"])
    assert all(parameter.kind.expected for parameter in each.parameters.values())
    assert (each.use is Use.CORRECTION) == (each.name.split(".")[1] in ("correct", "found"))


def test_a_name_is_given_once() -> None:
    taken = operations()[0].name
    with pytest.raises(ValueError, match=f"two operations {taken}"):
        operation(taken, "Again.")(sample)


def test_values_come_from_json_and_go_back() -> None:
    body = {
        "closet": 7,
        "length_m": 3,
        "note": " damp ",
        "basis": "drawing",
        "role": "key_holder",
        "day": "2025-02-03",
        "numbers": [1, 2],
    }
    values, problems = read_parameters(PARAMETERS, body)
    assert problems == []
    assert values == {
        "closet": Reference(Closet, 7),
        "length_m": 3.0,
        "note": "damp",
        "basis": Basis.DRAWING,
        "role": Contact.Role.KEY_HOLDER,
        "day": dt.date(2025, 2, 3),
        "numbers": [1, 2],
    }
    written = write_parameters(PARAMETERS, {**values, "closet": Closet(pk=7)})
    assert written == {**body, "length_m": 3.0, "note": "damp"}


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("closet", "seven"),
        ("closet", True),
        ("closet", "@"),
        ("closet", None),
        ("closet", 2**63),
        ("length_m", "3"),
        ("length_m", float("nan")),
        ("length_m", 10**400),
        ("note", 3),
        ("note", "a\0b"),
        ("note", "\ud800"),
        ("flag", 1),
        ("basis", 2),
        ("basis", "certain"),
        ("day", "3 February"),
        ("day", 20250203),
        ("day", dt.datetime(2025, 2, 3, tzinfo=dt.UTC)),
        ("numbers", 1),
        ("numbers", [1, "2"]),
    ],
)
def test_a_value_of_another_kind_is_named_with_what_would_be_right(name: str, value: object) -> None:
    given = {"closet": 7, "length_m": 3.0, name: value}
    values, problems = read_parameters(PARAMETERS, given)
    (problem,) = problems
    assert problem.path == f"/{name}"
    assert re.search(r"expected|must be", problem.detail)
    assert name not in values


def test_what_is_missing_and_what_is_too_much_are_named_together() -> None:
    _, problems = read_parameters(PARAMETERS, {"lenght_m": 3.0})
    assert [(problem.path, problem.code) for problem in problems] == [
        ("/closet", "required"),
        ("/length_m", "required"),
        ("/lenght_m", "unknown"),
    ]
    assert "did you mean length_m?" in problems[-1].detail


@pytest.mark.django_db
def test_a_service_says_the_same_as_its_json(closet: Closet) -> None:
    from sites.services.power import supply_add

    body = supply_add.body(closet=closet, name="PS 1", battery_installed_on=dt.date(2025, 1, 2))
    assert body == {
        "op": "supply.add",
        "closet": closet.pk,
        "name": "PS 1",
        "battery_installed_on": "2025-01-02",
    }
    done = supply_add(factories.change(closet.site), closet=closet, name="PS 1")
    assert done.change_set.operations == [{"op": "supply.add", "closet": closet.pk, "name": "PS 1"}]
