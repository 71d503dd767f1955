"""What a switch is read to deliver: ``POST /switches/{id}/power-readings``, groups or a printed table."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Final

from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions.bulk_writing import BulkWriting
from api.conventions.errors import refusal
from api.conventions.places import pointer
from api.conventions.problems import invalid
from api.conventions.writing import Writing, change_by, read_why
from sites.access.gates import switch_for
from sites.access.selectors import Principal
from sites.changes.errors import ChangeRefused, Problem
from sites.changes.operations import Accepted
from sites.changes.parameters import Parameter, parse_values
from sites.changes.services import Change
from sites.fields import LineField, QuantityField
from sites.models import Switch
from zones.models import KINDS, Test
from zones.rules.power_readings import MOST_GROUPS
from zones.services.power_readings import groups_printed, record_power
from zones.services.power_tables import LONGEST_TABLE, GroupReading, Headings, PrintedField
from zones.services.tests import record_test

from .tests import TestViewSet

_OF_ALL: Final = (
    "taken_on", "taken_at", "state", "signal", "unit", "technician", "instrument", "instrument_record",
    "instrument_error", "visit", "note",
)  # fmt: skip
"""What is said once, of all groups of a reading."""
_TEXT: Final = Parameter(
    "text",
    required=False,
    nullable=False,
    fact=PrintedField(
        max_length=LONGEST_TABLE,
        blank=False,
        help_text="In the place of `groups`: a table of power as the switch printed it, from its headings to "
        "its last row. Ports are summed by group; without a column of groups, for the switch as a whole.",
    ),
)
_HEADINGS: Final = {
    name: Parameter(
        name, required=name == "watts", nullable=False, fact=LineField(max_length=60, help_text=text)
    )
    for name, text in (
        ("watts", "Of the column of the watts delivered."),
        ("group", "Of the column of the supply group."),
        ("port", "Of the column of the port, where each row is one."),
    )
}


@dataclass(frozen=True)
class Reading:
    """A body that was read: what a switch delivers, and when and how it was read. told_in: where the body
    says so, `groups` or `text`."""

    switch: Switch
    told_in: str
    groups: list[GroupReading]
    circumstances: Mapping[str, Any]


@dataclass(frozen=True)
class PowerReadingsWriting(BulkWriting):
    """A test for each supply group of one switch, in one change set: what they have in common is said
    once."""

    name = "PowerReadings"
    item_name = "PowerReadingsGroup"

    @cached_property
    def of_all(self) -> dict[str, Parameter]:
        """What the body can hold besides its groups."""
        of_test = {name: self.operation.parameters[name] for name in _OF_ALL}
        return of_test | {"state": replace(of_test["state"], required=True, nullable=False)}

    @cached_property
    def of_group(self) -> dict[str, Parameter]:
        said = self.operation.parameters["power_group"]
        measured = KINDS[Test.Kind.POE_POWER].measured
        assert measured is not None, "a switch is read in watts"
        watts = QuantityField(
            unit=measured.unit,
            minimum=measured.minimum,
            maximum=measured.maximum,
            help_text="What it delivers.",
        )
        return {
            "power_group": replace(said, required=True),
            "value": Parameter("value", required=True, nullable=False, fact=watts),
        }

    @cached_property
    def schema(self) -> dict[str, Any]:
        """JSON Schema of the body in the API's description."""
        return {
            "type": "object",
            "description": "What a switch is read to deliver: each of its power-supply groups in watts "
            "(RFC 3621), read in one state on one day.",
            "properties": {
                **_properties(self.of_all),
                "groups": {
                    "type": "array",
                    "description": "All supply groups of the switch, since it is judged by their sum; or one "
                    "item with `power_group` null, the switch as a whole.",
                    "items": {"$ref": f"#/components/schemas/{self.item_name}"},
                    "minItems": 1,
                    "maxItems": MOST_GROUPS,
                },
                "text": _TEXT.schema(labels=False),
                "headings": {
                    "type": "object",
                    "description": "What the columns of `text` are called. Left out: as the model of the "
                    "switch says (`group_heading`, `port_heading`, `watts_heading` of `catalogue/devices`).",
                    "properties": _properties(_HEADINGS),
                    "required": ["watts"],
                    "additionalProperties": False,
                },
                "change": {"$ref": "#/components/schemas/Why"},
            },
            "required": ["taken_on", "state", "change"],
            "additionalProperties": False,
        }

    @cached_property
    def item_schema(self) -> dict[str, Any]:
        return {
            "type": "object",
            "description": "One supply group.",
            "properties": _properties(self.of_group),
            "required": list(self.of_group),
            "additionalProperties": False,
        }

    def read_of(self, switch: Switch, body: Any, principal: Principal) -> tuple[Change, Reading]:
        """The change that the body asks for, and the reading; errors name every wrong place at once."""
        why, problems = read_why(body)
        circumstances, wrong = parse_values(
            self.of_all, body, beside=["groups", "text", "headings", "change"]
        )
        problems += wrong
        if "text" in body and "groups" in body:
            problems.append(Problem("Give groups, or the text of a table; not both.", "invalid", "/text"))
            groups = []
        elif "text" in body:
            groups = self._read_table(switch, body, circumstances.get("taken_on"), problems)
        elif "groups" in body:
            groups = self._read_groups(body["groups"], problems)
            if "headings" in body:
                problems.append(Problem("headings are those of a text: give it.", "required", "/text"))
        else:
            problems.append(Problem("Give groups, or the text of a table.", "required", "/groups"))
            groups = []
        if problems:
            raise invalid(problems)
        told_in = "text" if "text" in body else "groups"
        return change_by(principal, switch.site_id, why), Reading(switch, told_in, groups, circumstances)

    def _read_table(
        self, switch: Switch, body: Mapping[str, Any], day: dt.date | None, problems: list[Problem]
    ) -> list[GroupReading]:
        text, wrong = parse_values({"text": _TEXT}, {"text": body["text"]})
        headings = None
        if "headings" in body and isinstance(body["headings"], Mapping):
            named, wrong_headings = parse_values(_HEADINGS, body["headings"], within="/headings")
            wrong += wrong_headings
            headings = None if wrong_headings else Headings(**named)
        elif "headings" in body:
            wrong.append(Problem("headings: expected a JSON object.", "invalid", "/headings"))
        problems += wrong
        if wrong or day is None:
            return []
        try:
            return groups_printed(switch, day, text["text"], headings)
        except ChangeRefused as refused:
            problems += refused.problems
            return []

    def _read_groups(self, items: Any, problems: list[Problem]) -> list[GroupReading]:
        if not isinstance(items, list) or not 1 <= len(items) <= MOST_GROUPS:
            there = f"; there are {len(items):,}" if isinstance(items, list) else ""
            detail = f"groups: expected a list of 1 to {MOST_GROUPS} groups{there}; or a table, as text."
            problems.append(Problem(detail, "invalid", "/groups"))
            return []
        groups = []
        for place, item in enumerate(items):
            at = pointer("groups", place)
            if not isinstance(item, Mapping):
                problems.append(Problem("Expected a JSON object.", "invalid", at))
                continue
            values, wrong = parse_values(self.of_group, item, within=at)
            problems += wrong
            if not wrong:
                groups.append(GroupReading(**values))
        return groups

    def accept(
        self,
        change: Change,
        calls: Reading,  # type: ignore[override]
        expects: Mapping[str, int] | None = None,  # noqa: ARG002 - nothing that is new has a version
    ) -> Accepted[Any]:
        """Make and accept the change set; what is wrong with all groups alike is said once."""
        try:
            return record_power(
                change, switch=calls.switch, groups=calls.groups, circumstances=calls.circumstances
            )
        except ChangeRefused as refused:
            # What a group says of itself was read already: what is left is wrong with all of them alike
            at = {"/groups": f"/{calls.told_in}"}
            said = {
                (one.path, one.detail): replace(one, path=at.get(one.path, one.path), operation=None)
                for one in refused.problems
            }
            raise refusal(ChangeRefused(said.values()), self.one.outer_pointer) from refused


def _properties(parameters: Mapping[str, Parameter]) -> dict[str, Any]:
    return {one.key: one.schema(labels=False) for one in parameters.values()}


class PowerReadingViewSet(TestViewSet):
    """What a switch is read to deliver."""

    bodies = {"read_power": PowerReadingsWriting(Writing(record_test))}
    answers = {"read_power": TestViewSet.answers["bulk"]}

    def read_power(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        """Record what a switch delivers by its power-supply groups: a test of kind `poe_power` for each, in
        one change set. Programs send `groups`; a person pastes the table that the switch printed as `text`.
        All are recorded, or none where one is refused."""
        writing = self.spec.body
        assert isinstance(writing, PowerReadingsWriting)
        switch = switch_for(principal=self.principal, id=int(kwargs["id"]))
        change, reading = writing.read_of(switch, request.data, self.principal)
        return self.respond_many(self.write(writing, change, reading))
