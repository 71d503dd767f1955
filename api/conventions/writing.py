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
from sites.changes.parameters import Parameter, Reference, parse_values
from sites.changes.services import Change
from sites.fields import Fact
from sites.models import Catalogued, Recorded, Site
from sites.models.changes import ChangeSet

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
_SITE: Final = Parameter("site", required=True, nullable=False, model=Site)


@dataclass(frozen=True)
class Asked:
    """A body that was read: the operation's values, why, and of which site; None where the address says it,
    and for what all sites share."""

    values: Mapping[str, Any]
    why: Mapping[str, Any]
    site_id: int | None = None


@dataclass(frozen=True)
class Writing:
    """The body of a write: what `operation` takes, but for its `subject`, which the address names.

    `within`: the first of these parameters that is given says of which site a new thing is, since what it
    refers to is of that site; ``site``, which these operations do not take, is the site itself. `partial`:
    anything may be left out, and stays as it is, but not everything."""

    operation: Operation[Any, Any]
    subject: str | None = None
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
        site = {"site": _SITE} if "site" in self.within else {}
        return site | {name: one for name, one in self.operation.parameters.items() if name != self.subject}

    @cached_property
    def schema(self) -> dict[str, Any]:
        """JSON Schema of the body, but for ``change``, whose component the caller knows."""
        parameters = self.parameters.values()
        required = [one.key for one in parameters if one.required and not self.partial]
        return {
            "type": "object",
            "description": self.operation.sentence,
            "properties": {one.key: one.schema(labels=False) for one in parameters},
            "required": required,
            "additionalProperties": False,
        }

    def read(self, body: Any, principal: Principal) -> Asked:
        """The values in `body`; if anything is wrong, every place of it is named at once."""
        if not isinstance(body, Mapping):
            raise invalid(Place("Expected a JSON object.", pointer=""))
        why, amiss = _why(body)
        values, problems = parse_values(self.parameters, body, partial=self.partial, beside=["change"])
        places = [Place(one.detail, code=one.code, pointer=one.path) for one in [*amiss, *problems]]
        sites = self._sites(values, principal, places)
        if not places and self.partial and not set(values) - {"held_on"}:
            known = listed(one.key for one in self.parameters.values())
            places = [Place(f"Nothing is to change: name at least one of {known}.", code="empty", pointer="")]
        if not places and self.within and not sites:
            known = listed(self.parameters[name].key for name in self.within)
            places = [Place(f"Say what it belongs to: one of {known}.", code="required", pointer="")]
        if places:
            raise invalid(*places)
        if "site" in self.within:
            del values["site"]
        return Asked(values, why, sites[0] if sites else None)

    def accept(
        self,
        asked: Asked,
        *,
        principal: Principal,
        site_id: int | None,
        subject: Model | None = None,
        expects: Mapping[str, int] | None = None,
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

    def _sites(self, values: Mapping[str, Any], principal: Principal, places: list[Place]) -> list[int]:
        """The sites of what the first given of `within` names. `places` gets what is not there, or
        not seen by the one who asks; other rows of a site are looked for by the operation, under the site's
        lock."""
        found: list[int] = []
        saying = [name for name in self.within if values.get(name)][:1]
        for name, value in values.items():
            parameter = self.parameters[name]
            model = parameter.model
            if not value or model is None:
                continue
            if name not in saying and issubclass(model, Recorded | Catalogued):
                continue
            references: list[Reference] = value if parameter.many else [value]
            rows = scoped(model, principal.scope).filter(pk__in=[one.pk for one in references])
            site = "site_id" if issubclass(model, Recorded) else "pk"
            sites = dict(rows.values_list("pk", site))
            for place, one in enumerate(references):
                if one.pk not in sites:
                    where = pointer(parameter.key, place) if parameter.many else pointer(parameter.key)
                    detail = f"There is no {model._meta.verbose_name} {one.pk}."
                    places.append(Place(detail, code="not_found", pointer=where))
            if name in saying:
                found += sites.values()
        return found

    def _outer_pointer(self, path: str) -> str:
        """A pointer into an operation's JSON, or to what the change itself says, as one into the body."""
        said = path.removeprefix("/")
        return f"/change{path}" if said in WHY and said not in self.operation.parameters else path


def _why(body: Mapping[str, Any]) -> tuple[Mapping[str, Any], list[Problem]]:
    said = body.get("change")
    if isinstance(said, Mapping):
        return parse_values(WHY, said, within="/change")
    if "change" in body:
        return {}, [Problem("change: expected a JSON object.", "invalid", "/change")]
    detail = 'Say why: "change" holds a reason, and may hold happened_on and job_reference.'
    return {}, [Problem(detail, "required", "/change")]
