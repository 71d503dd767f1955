"""Writes to the record: the body of a request is one operation of `sites.changes`, and why it is done.

The operation's own signature says what the body holds, so that REST, drafts and pages take the same values
under the same names, but for one thing: what refers to another row is ``closet_id`` here, as it is where it
is read. Every write makes a change set of its one operation and carries ``change: {reason, happened_on,
job_reference}``."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import Any, Final

from django.db.models import Model

from sites.access.selectors import Principal
from sites.changes.errors import ChangeConflict, ChangeRefused
from sites.changes.models import ChangeSet
from sites.changes.operations import Operation
from sites.changes.parameters import Parameter, read_parameters
from sites.changes.services import Accepted, Change, change_one
from sites.changes.steps import first_step_after

from . import fields
from .etags import Versions
from .places import body_places, pointer
from .problems import Place, invalid
from .references import ID_SCHEMA, Referring, is_id, referring
from .refusals import refusal
from .serializers import StrictSerializer
from .suggestions import did_you_mean, listed


class Why(StrictSerializer):
    """Why the record changes, when it happened, and under which job."""

    reason = fields.Text(max_length=2000)
    happened_on = fields.Day(
        required=False, allow_null=True, help_text="A day in the site's time zone; left out: today there."
    )
    job_reference = fields.Text(required=False, allow_blank=True, max_length=80)


@dataclass(frozen=True)
class Asked:
    """A body that was read: the operation's values as JSON, why, and of which site where the body says it."""

    values: Mapping[str, Any]
    why: Mapping[str, Any]
    site_id: int | None = None


@dataclass(frozen=True)
class Writing:
    """The body of a write: what `operation` takes, but for its `subject`, which the address names.

    `of_site`: the body says by ``site_id`` of which site the new thing is. `within`: the first of these
    parameters that is given says it, since what it refers to is of that site. `partial`: anything may be
    left out, and stays as it is, but not everything."""

    operation: Operation[Any, Any]
    subject: str | None = None
    of_site: bool = False
    within: tuple[str, ...] = ()
    partial: bool = False

    @property
    def name(self) -> str:
        """``closet.add`` as a component of the schema: ``ClosetAdd``."""
        words = self.operation.name.replace(".", "_").split("_")
        if f"{words[0]}s" in self.within:  # the same done to several of them has a body of its own
            words.append("several")
        return "".join(word.capitalize() for word in words)

    @cached_property
    def parameters(self) -> dict[str, Parameter]:
        """What the body can hold, by the name it has here."""
        return {
            self._outer_name(name): parameter
            for name, parameter in self.operation.parameters.items()
            if name != self.subject
        }

    @cached_property
    def _references(self) -> dict[str, Referring]:
        """Which of the operation's parameters refer to other rows, and how."""
        found = {name: referring(parameter) for name, parameter in self.operation.parameters.items()}
        return {name: reference for name, reference in found.items() if reference is not None}

    def _outer_name(self, name: str) -> str:
        """``closet_id`` for the parameter ``closet``, ``point_ids`` for ``points``; others have their own
        name."""
        if name == STEP:
            return HELD_ON
        if name not in self._references:
            return name
        return f"{name.removesuffix('s')}_ids" if self._references[name].many else f"{name}_id"

    @cached_property
    def schema(self) -> dict[str, Any]:
        """JSON Schema of the body, but for ``change``, whose component the caller knows."""
        properties: dict[str, Any] = {"site_id": ID_SCHEMA} if self.of_site else {}
        required = ["site_id"] if self.of_site else []
        for name, parameter in self.operation.parameters.items():
            if name == self.subject:
                continue
            properties[self._outer_name(name)] = self._schema_of(name, parameter)
            if parameter.required and not self.partial:
                required.append(self._outer_name(name))
        return {
            "type": "object",
            "description": self.operation.sentence,
            "properties": properties,
            "required": required,
            "additionalProperties": False,
        }

    def _schema_of(self, name: str, parameter: Parameter) -> dict[str, Any]:
        if name == STEP:
            return {"type": "string", "format": "date", "description": HELD_ON_HELP}
        if name in self._references:
            return self._references[name].schema(nullable=parameter.nullable)
        return parameter.schema

    def read(self, body: Any, principal: Principal) -> Asked:
        """The values in `body`; if anything is wrong, every place of it is named at once."""
        if not isinstance(body, Mapping):
            raise invalid(Place("Expected a JSON object.", pointer=""))
        places = self._unknown(body)
        why, its_places = _why(body)
        site_id, of_site = self._site(body)
        values, of_values = self._values(body, principal)
        places += [*its_places, *of_site, *of_values]
        if not places and self.partial and not set(values) - {STEP}:
            known = listed(self.parameters)
            places = [Place(f"Nothing is to change: name at least one of {known}.", code="empty", pointer="")]
        if places:
            raise invalid(*places)
        return Asked(values, why, site_id if not self.within else self._site_within(values))

    def accept(
        self,
        asked: Asked,
        *,
        principal: Principal,
        site_id: int | None,
        subject: Model | None = None,
        expects: Versions | None = None,
    ) -> Accepted[Any]:
        """Make and accept the change set. A `ChangeConflict` goes up; any other refusal is a problem by
        now."""
        body: dict[str, Any] = {"op": self.operation.name, **asked.values}
        if subject is not None and self.subject is not None:
            # An operation that takes several of a thing is given the one that the address names
            many = self._references[self.subject].many
            body[self.subject] = [subject.pk] if many else subject.pk
        if expects:
            body["expects"] = dict(expects)
        change = Change(
            site_id=site_id,
            user=principal.user,
            reason=asked.why["reason"],
            channel=ChangeSet.Channel.REST,
            happened_on=asked.why.get("happened_on"),
            job_reference=asked.why.get("job_reference", ""),
        )
        try:
            return change_one(change, body)
        except ChangeConflict:
            raise
        except ChangeRefused as refused:
            raise refusal(refused, self._outer_pointer) from refused

    # --- the parts of a body --------------------------------------------------------------------------------

    def _unknown(self, body: Mapping[str, Any]) -> list[Place]:
        known = [*self.parameters, "change", *(["site_id"] if self.of_site else [])]
        return [
            Place(
                f"There is no {name!r} here.{did_you_mean(name, known)} "
                f"What can stand here: {listed(known)}.",
                code="unknown",
                pointer=pointer(name),
            )
            for name in body
            if name not in known
        ]

    def _site(self, body: Mapping[str, Any]) -> tuple[int | None, list[Place]]:
        if not self.of_site:
            return None, []
        site_id = body.get("site_id")
        if is_id(site_id):
            return site_id, []
        code = "invalid" if "site_id" in body else "required"
        return None, [Place("site_id: expected the id of a site.", code=code, pointer="/site_id")]

    def _site_within(self, values: Mapping[str, Any]) -> int:
        for name in self.within:
            # Values are looked for in the scope of the one who asks before this is
            given = values.get(name)
            for row_id in (given or ()) if self._references[name].many else (given,):
                if row_id is not None:
                    return self._references[name].site_id_of(row_id)
        known = listed(self._outer_name(name) for name in self.within)
        raise invalid(Place(f"Say what it belongs to: one of {known}.", code="required", pointer=""))

    def _values(self, body: Mapping[str, Any], principal: Principal) -> tuple[dict[str, Any], list[Place]]:
        """The operation's own JSON, and what is wrong with it."""
        given: dict[str, Any] = {}
        plain: dict[str, Parameter] = {}
        places: list[Place] = []
        for name, parameter in self.operation.parameters.items():
            outer = self._outer_name(name)
            if name == self.subject or (outer not in body and self.partial):
                continue
            if outer in body:
                given[name] = body[outer]
            if name == STEP and outer in body:
                day = _day(body[outer])
                given[name] = None if day is None else first_step_after(day) - 1
                if day is None:
                    detail = f"{outer} must be a day such as 2026-11-25."
                    places.append(Place(detail, pointer=pointer(outer)))
            elif name not in self._references:
                plain[name] = parameter
            elif outer in body:
                places += self._references[name].wrong(outer, parameter, body[outer], principal)
            elif parameter.required:
                expected = self._references[name].expected
                places.append(
                    Place(
                        f"{outer} is missing; expected {expected}.", code="required", pointer=pointer(outer)
                    )
                )
        _, problems = read_parameters(plain, {name: given[name] for name in plain if name in given})
        places += [
            Place(one.detail, code=one.code, pointer=self._outer_pointer(one.path)) for one in problems
        ]
        return given, places

    def _outer_pointer(self, path: str) -> str:
        """A pointer into an operation's JSON as one into the body."""
        _, name, *rest = path.split("/") if path else ("", "")
        if not name:
            return path
        if name in WHY_NAMES and name not in self.operation.parameters:
            return f"/change{path}"
        return "/".join(["", self._outer_name(name), *rest])


# A correction is of what held at some step; who corrects knows a day
STEP: Final = "step"
HELD_ON: Final = "held_on"
HELD_ON_HELP: Final = (
    "What was recorded wrongly held on this day; left out: what holds last, for as long as it was recorded "
    "so."
)
WHY_NAMES: Final = frozenset({"reason", "happened_on", "job_reference"})


def _day(value: Any) -> date | None:
    try:
        return date.fromisoformat(value)
    except (TypeError, ValueError):
        return None


def _why(body: Mapping[str, Any]) -> tuple[Mapping[str, Any], list[Place]]:
    if "change" not in body:
        detail = 'Say why: "change" holds a reason, and may hold happened_on and job_reference.'
        return {}, [Place(detail, code="required", pointer="/change")]
    why = Why(data=body["change"])
    if why.is_valid():
        values: Mapping[str, Any] = why.validated_data
        return values, []
    return {}, [
        Place(place.detail, code=place.code, pointer=f"/change{place.pointer}")
        for place in body_places(why.errors)
    ]
