"""Writes to the record: the body of a request is one operation of `sites.changes`, and why it is done.

The operation says what the body holds, so that REST, drafts and pages take the same values under the same
names. The body is parsed once; its values go to the operation as they are. Every write makes a change set of
its one operation and carries ``change: {reason, happened_on, job_reference}``."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final, cast

from django.db.models import Model

from sites.access.scope import scoped
from sites.access.selectors import Principal
from sites.changes.errors import ChangeConflict, ChangeRefused, Problem
from sites.changes.operations import Accepted, Operation
from sites.changes.parameters import ID_SCHEMA, Parameter, Reference, is_id, parse_values
from sites.changes.services import Change
from sites.fields import Fact
from sites.models import Catalogued, Recorded
from sites.models.changes import ChangeSet

from .etags import Versions
from .places import pointer
from .problems import Place, invalid
from .refusals import refusal
from .suggestions import listed

WHY: Final = {
    name: Parameter(name, required=name == "reason", nullable=name == "happened_on", fact=fact)
    for name, fact in (
        (name, cast("Fact", ChangeSet._meta.get_field(name)))
        for name in ("reason", "happened_on", "planned", "job_reference")
    )
}
"""Why the record changes, when it happened, and under which job."""
WHY_SCHEMA: Final = {
    "type": "object",
    "description": "Why the record changes, when it happened, and under which job.",
    "properties": {name: one.schema(labels=False) for name, one in WHY.items()},
    "required": ["reason"],
    "additionalProperties": False,
}


@dataclass(frozen=True)
class Asked:
    """A body that was read: the operation's values, why, and of which site where the body says it."""

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
        """What the body can hold."""
        return {name: one for name, one in self.operation.parameters.items() if name != self.subject}

    @cached_property
    def schema(self) -> dict[str, Any]:
        """JSON Schema of the body, but for ``change``, whose component the caller knows."""
        site: dict[str, Any] = {"site_id": ID_SCHEMA} if self.of_site else {}
        parameters = self.parameters.values()
        required = [one.key for one in parameters if one.required and not self.partial]
        return {
            "type": "object",
            "description": self.operation.sentence,
            "properties": {**site, **{one.key: one.schema(labels=False) for one in parameters}},
            "required": [*site, *required],
            "additionalProperties": False,
        }

    def read(self, body: Any, principal: Principal) -> Asked:
        """The values in `body`; if anything is wrong, every place of it is named at once."""
        if not isinstance(body, Mapping):
            raise invalid(Place("Expected a JSON object.", pointer=""))
        why, places = _why(body)
        site_id, of_site = self._site(body)
        beside = ["change", *(["site_id"] if self.of_site else [])]
        values, problems = parse_values(self.parameters, body, partial=self.partial, beside=beside)
        places += [*of_site, *_placed(problems), *self._out_of_scope(values, principal)]
        if not places and self.partial and not set(values) - {"held_on"}:
            known = listed(one.key for one in self.parameters.values())
            places = [Place(f"Nothing is to change: name at least one of {known}.", code="empty", pointer="")]
        if not places and self.within:
            site_id, places = self._site_within(values, principal)
        if places:
            raise invalid(*places)
        return Asked(values, why, site_id)

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
        values = dict(asked.values)
        if subject is not None and self.subject is not None:
            # An operation that takes several of a thing is given the one that the address names
            many = self.operation.parameters[self.subject].many
            values[self.subject] = [subject] if many else subject
        change = Change(
            site_id=site_id,
            user=principal.user,
            reason=asked.why["reason"],
            channel=ChangeSet.Channel.REST,
            happened_on=asked.why.get("happened_on"),
            planned=asked.why.get("planned", False),
            job_reference=asked.why.get("job_reference", ""),
        )
        try:
            return self.operation.accept(change, values, expects)
        except ChangeConflict:
            raise
        except ChangeRefused as refused:
            raise refusal(refused, self._outer_pointer) from refused

    # --- the parts of a body --------------------------------------------------------------------------------

    def _site(self, body: Mapping[str, Any]) -> tuple[int | None, list[Place]]:
        if not self.of_site:
            return None, []
        site_id = body.get("site_id")
        if is_id(site_id):
            return site_id, []
        code = "invalid" if "site_id" in body else "required"
        return None, [Place("site_id: expected the id of a site.", code=code, pointer="/site_id")]

    def _site_within(self, values: Mapping[str, Any], principal: Principal) -> tuple[int | None, list[Place]]:
        """The site of the first row that says it, if all that it names are in scope."""
        for name in self.within:
            if values.get(name):
                rows = _in_scope(values[name], principal)
                places = self._missing(name, values[name], rows)
                return (None, places) if places else (next(iter(rows.values())), [])
        known = listed(self.parameters[name].key for name in self.within)
        return None, [Place(f"Say what it belongs to: one of {known}.", code="required", pointer="")]

    def _out_of_scope(self, values: Mapping[str, Any], principal: Principal) -> list[Place]:
        """What refers to rows that the one who asks does not see, or that are not there. Rows of the site
        itself are looked for by the operation, under the site's lock."""
        places: list[Place] = []
        for name, value in values.items():
            model = self.parameters[name].model
            if value and model is not None and not issubclass(model, Recorded | Catalogued):
                places += self._missing(name, value, _in_scope(value, principal))
        return places

    def _missing(self, name: str, value: Any, rows: Mapping[int, Any]) -> list[Place]:
        parameter = self.parameters[name]
        assert parameter.model is not None
        kind = parameter.model._meta.verbose_name
        return [
            Place(
                f"There is no {kind} {one.named}.",
                code="not_found",
                pointer=pointer(parameter.key, place) if parameter.many else pointer(parameter.key),
            )
            for place, one in enumerate(value if parameter.many else [value])
            if one.named not in rows
        ]

    def _outer_pointer(self, path: str) -> str:
        """A pointer into an operation's JSON, or to what the change itself says, as one into the body."""
        said = path.removeprefix("/")
        return f"/change{path}" if said in WHY and said not in self.operation.parameters else path


def _in_scope(value: Any, principal: Principal) -> dict[int, Any]:
    """The rows that a reference, or a list of them, names and the one who asks sees: id to site."""
    references: list[Reference] = value if isinstance(value, list) else [value]
    model = references[0].model
    rows = scoped(model, principal.scope).filter(pk__in=[one.named for one in references])
    return dict(rows.values_list("pk", "site_id" if issubclass(model, Recorded) else "pk"))


def _placed(problems: list[Problem]) -> list[Place]:
    return [Place(one.detail, code=one.code, pointer=one.path) for one in problems]


def _why(body: Mapping[str, Any]) -> tuple[Mapping[str, Any], list[Place]]:
    said = body.get("change")
    if isinstance(said, Mapping):
        values, problems = parse_values(WHY, said)
        return values, [Place(one.detail, code=one.code, pointer=f"/change{one.path}") for one in problems]
    if "change" in body:
        return {}, [Place("change: expected a JSON object.", pointer="/change")]
    detail = 'Say why: "change" holds a reason, and may hold happened_on and job_reference.'
    return {}, [Place(detail, code="required", pointer="/change")]
