"""What each list refuses over all customers. A refusal names what does not go; what it says to add helps."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from itertools import combinations
from typing import Any, Final

import pytest

from api.conventions import fields
from api.conventions.filters import Names, filter_names
from api.conventions.problems import ProblemError
from api.v1.routes import RESOURCES
from sites.access.scope import EVERYTHING
from sites.changes.errors import Problem

BOUND: Final = {name: view_set for name, view_set in RESOURCES.items() if view_set.filterset_class.across}
_REFUSED: Final = re.compile(
    r"You see all customers, and (\w+) goes with what one site or customer has: "
    r"give ([\w ]+) too(?:, or sort by ([\w ]+))?\."
)


def values(field: Any) -> tuple[str, ...]:
    """What a filter may be asked with."""
    if isinstance(field, Names):
        return field.allowed
    if isinstance(field, fields.Choice):
        return tuple(map(str, field.choices))
    for kind, value in (
        (fields.Flag, "true"),
        (fields.Day, "2026-01-01"),
        (fields.Instant, "2026-01-01T00:00:00Z"),
        (fields.Address, "10.1.0.5"),
        (fields.Text, "ida"),
    ):
        if isinstance(field, kind):
            return (value,)
    return ("7",)


def refusal(resource: str, query: Mapping[str, str]) -> Problem | None:
    view = RESOURCES[resource]()
    asked: Any = view.spec_of("list").query(data=query)
    asked.is_valid(raise_exception=True)
    try:
        asked.sort(filter_names(view.filterset_class), view.ordering, EVERYTHING)
    except ProblemError as refused:
        (problem,) = refused.errors
        return problem
    return None


def queries(resource: str) -> Iterator[dict[str, str]]:
    """Every order, every filter by itself and in every order, and two filters at once."""
    view_set = RESOURCES[resource]
    declared: Mapping[str, Any] = view_set.filterset_class._declared_fields
    orders: list[dict[str, str]] = [{}, *({"order": order} for order in view_set.ordering_fields)]
    alone = [{name: value} for name, field in declared.items() for value in values(field)]
    yield from orders
    for each in alone:
        yield from ({**order, **each} for order in orders)
    last = {name: {name: value} for each in alone for name, value in each.items()}
    for one, other in combinations(last.values(), 2):
        yield {**one, **other}


@pytest.mark.parametrize("resource", BOUND)
def test_what_a_refusal_says_to_add_is_all_it_takes(resource: str) -> None:
    declared: Mapping[str, Any] = RESOURCES[resource].filterset_class._declared_fields
    for query in queries(resource):
        if (problem := refusal(resource, query)) is None:
            continue
        said = _REFUSED.fullmatch(problem.detail)
        assert said is not None, problem.detail
        name, leading, orders = said.groups()
        assert problem.code == "unbound"
        assert problem.path == name in {"order", *query}, query
        if orders is None and len(query) == 2 and name != "order":
            # of two filters, one that is refused by itself is named first
            for each in query.keys() - {name, "order"}:
                alone = {one: refusal(resource, {one: query[one]}) is None for one in (name, each)}
                assert not (alone[name] and not alone[each]), query
        for each in leading.split(" or "):
            assert refusal(resource, {**query, each: values(declared[each])[0]}) is None, (query, each)
        for each in orders.split(" or ") if orders else ():
            assert refusal(resource, {**query, "order": each}) is None, (query, each)


def test_the_description_of_an_order_says_it_before() -> None:
    field = RESOURCES["runs"]().spec_of("list").query().fields["order"]
    assert str(field.help_text).endswith(
        "Over all customers by name (with name); site; id (with name, kind), unless a filter names a site, a "
        "customer or something of one."
    )
    shared = RESOURCES["catalogue/devices"]().spec_of("list").query().fields["order"]
    assert "customers" not in str(shared.help_text)
