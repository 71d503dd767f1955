"""The body of a request that makes many things at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

from sites.access.selectors import Principal
from sites.changes.bulk import accept_many
from sites.changes.errors import ChangeRefused, Problem
from sites.changes.operations import Accepted, Call, Operation, label_problems
from sites.changes.parameters import LONGEST_LABEL, parse_values
from sites.changes.services import Change
from sites.models.changes import MOST_OPERATIONS

from .errors import refusal
from .problems import invalid
from .writing import Writing, change_by, read_why

MOST_ITEMS: Final = MOST_OPERATIONS
"""Items of one request: as many as a change set has operations."""


@dataclass(frozen=True)
class BulkWriting:
    """The body of a write of many: `items`, each as `one` takes it."""

    one: Writing

    @property
    def operation(self) -> Operation[Any, Any]:
        return self.one.operation

    @property
    def name(self) -> str:
        """Name of the component in the schema: ``PointAppendBulk`` for ``point.append``."""
        return f"{self.one.name}Bulk"

    @cached_property
    def labelled(self) -> frozenset[str]:
        """The parameters that can name another item of the same request."""
        made = self.operation.of[:1]
        named = {name for name, one in self.one.parameters.items() if one.model in made}
        return frozenset(named.difference(self.one.within))

    @cached_property
    def schema(self) -> dict[str, Any]:
        """JSON Schema of the body in the API's description."""
        return {
            "type": "object",
            "description": f"{self.operation.sentence} Up to {MOST_ITEMS} at once, all on one site.",
            "properties": {
                "items": {
                    "type": "array",
                    "items": {"$ref": f"#/components/schemas/{self.item_name}"},
                    "minItems": 1,
                    "maxItems": MOST_ITEMS,
                },
                "change": {"$ref": "#/components/schemas/Why"},
            },
            "required": ["items", "change"],
            "additionalProperties": False,
        }

    @property
    def item_name(self) -> str:
        return f"{self.one.name}Item"

    @cached_property
    def item_schema(self) -> dict[str, Any]:
        parameters = self.one.parameters.values()
        label = {
            "type": "string",
            "maxLength": LONGEST_LABEL,
            "pattern": r"^[\w .-]*$",
            "description": "A name for it within this request: a later item refers to it as `@` and this.",
        }
        return {
            "type": "object",
            "description": self.operation.sentence,
            "properties": {
                **{one.key: one.schema(labels=one.name in self.labelled) for one in parameters},
                **({"label": label} if self.labelled else {}),
            },
            "required": [one.key for one in parameters if one.required],
            "additionalProperties": False,
        }

    def read(self, body: Any, principal: Principal) -> tuple[Change, list[Call]]:
        """The change that the body asks for, with an operation for each item; errors name every wrong place
        at once."""
        why, problems = read_why(body)
        problems += parse_values({}, body, beside=["items", "change"])[1]
        items = body.get("items")
        if not isinstance(items, list) or not 1 <= len(items) <= MOST_ITEMS:
            there = f"; there are {len(items):,}" if isinstance(items, list) else ""
            detail = f"items: expected a list of 1 to {MOST_ITEMS:,} items{there}."
            raise invalid([*problems, Problem(detail, "invalid", "/items")])
        read = [self._read_item(place, item, problems) for place, item in enumerate(items)]
        site_id = self._site_id(read, principal, problems)
        if problems:
            raise invalid(problems)
        calls = [
            Call(self.operation, self.one.of_operation(values), label=item.get("label", ""))
            for item, values in zip(items, read, strict=True)
        ]
        return change_by(principal, site_id, why), calls

    def _read_item(self, place: int, item: Any, problems: list[Problem]) -> dict[str, Any]:
        at = f"/items/{place}"
        if not isinstance(item, Mapping):
            problems.append(Problem("Expected a JSON object.", "invalid", at))
            return {}
        beside = ["label"] if self.labelled else []
        values, wrong = parse_values(
            self.one.parameters, item, labels=self.labelled, beside=beside, within=at
        )
        problems += wrong
        if self.labelled:
            problems += [Problem(one.detail, one.code, f"{at}{one.path}") for one in label_problems(item)]
        return values

    def _site_id(
        self, read: Sequence[Mapping[str, Any]], principal: Principal, problems: list[Problem]
    ) -> int | None:
        """The site that all items are of; None for what all sites share."""
        known = self.one.rows_named(read, principal)
        wrong = {one.path.split("/")[2] for one in problems if one.path.startswith("/items/")}
        found: int | None = None
        for place, values in enumerate(read):
            at, before = f"/items/{place}", len(problems)
            site_id = self.one.site_id(values, known, problems, at)
            if not self.one.within or str(place) in wrong or len(problems) > before:
                continue
            if site_id is None:
                problems.append(self.one.without_site(at))
            elif found is None:
                found = site_id
            elif site_id != found:
                detail = (
                    f"All items of a request are on one site: this one is on site {site_id}, those before it "
                    f"on site {found}. Send the items of each site in a request of their own."
                )
                problems.append(Problem(detail, "of_another_site", at))
        return found

    def accept(
        self,
        change: Change,
        calls: Sequence[Call],
        expects: Mapping[str, int] | None = None,  # noqa: ARG002 - nothing that is new has a version
    ) -> Accepted[Any]:
        """Make and accept the change set; a refusal is raised as a problem, of each item that has one."""
        try:
            return accept_many(change, calls)
        except ChangeRefused as refused:
            raise refusal(refused, self._outer_pointer) from refused

    def _outer_pointer(self, problem: Problem) -> str:
        at = "" if problem.operation is None else f"/items/{problem.operation}"
        return f"{at}{problem.path}" if at else self.one.outer_pointer(problem)
