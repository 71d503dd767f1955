"""Writes to the record: the body of a request is one operation of `sites.changes`, and why it is done.

The operation defines the body, so that REST, drafts and pages take the same values under the same names. The
body is parsed once; its values go to the operation as they are. Every write makes a change set of
its one operation and carries ``change: {reason, happened_on, job_reference, done_by}``."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final, cast

from sites.access.scope import scoped
from sites.access.selectors import Principal
from sites.changes.errors import ChangeConflict, ChangeRefused, Problem
from sites.changes.operations import Accepted, Operation
from sites.changes.parameters import Parameter, Reference, parse_values
from sites.changes.services import Change
from sites.fields import Fact
from sites.models import Catalogued, Recorded, Site
from sites.models.changes import ChangeSet
from sites.wording import listed

from .errors import refusal
from .places import pointer
from .problems import invalid

WHY: Final = {
    name: Parameter(name, required=name == "reason", nullable=name == "happened_on", fact=fact)
    for name, fact in (
        (name, cast("Fact", ChangeSet._meta.get_field(name)))
        for name in ("reason", "happened_on", "planned", "job_reference", "done_by")
    )
}
"""Why the record changes, when it happened, under which job, and who did the work."""
WHY_SCHEMA: Final = {
    "type": "object",
    "description": "Why the record changes, when it happened, under which job, and who did the work.",
    "properties": {name: one.schema(labels=False) for name, one in WHY.items()},
    "required": ["reason"],
    "additionalProperties": False,
}
_SITE: Final = Parameter("site", required=True, nullable=False, model=Site)


@dataclass(frozen=True)
class Writing:
    """The body of a write: the parameters of `operation` but its `subject`, which the address names.

    `within`: the first of these parameters that is given says of which site a new thing is, since what it
    refers to is of that site; ``site``, which these operations do not take, is the site itself. `partial`:
    what is left out stays as it is; one value is required."""

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
        """JSON Schema of the body in the API's description."""
        parameters = self.parameters.values()
        required = [one.key for one in parameters if one.required and not self.partial]
        return {
            "type": "object",
            "description": self.operation.sentence,
            **({"minProperties": 2} if self.partial else {}),
            "properties": {
                **{one.key: one.schema(labels=False) for one in parameters},
                "change": {"$ref": "#/components/schemas/Why"},
            },
            "required": [*required, "change"],
            "additionalProperties": False,
        }

    def read(self, body: Any, principal: Principal) -> tuple[Change, dict[str, Any]]:
        """Who changes what for which reason, and the operation's values; if anything is wrong, every place of
        it is named at once. The change has the site of what `within` names; None where the address says the
        site, and for what all sites share."""
        if not isinstance(body, Mapping):
            raise invalid([Problem("Expected a JSON object.", "invalid")])
        why: Mapping[str, Any] = {}
        said = body.get("change")
        if isinstance(said, Mapping):
            why, problems = parse_values(WHY, said, within="/change")
        elif "change" in body:
            problems = [Problem("change: expected a JSON object.", "invalid", "/change")]
        else:
            detail = 'Say why: "change" holds a reason, and may hold happened_on, job_reference and done_by.'
            problems = [Problem(detail, "required", "/change")]
        values, wrong = parse_values(self.parameters, body, partial=self.partial, beside=["change"])
        problems += wrong
        site_id = self._site_id(values, principal, problems)
        if not problems and self.partial and not set(values) - {"held_on"}:
            known = listed(sorted(one.key for one in self.parameters.values()), most=40)
            problems.append(Problem(f"Nothing is to change: name at least one of {known}.", "empty"))
        if not problems and self.within and site_id is None:
            known = listed(sorted(self.parameters[name].key for name in self.within), most=40)
            problems.append(Problem(f"Say what it belongs to: one of {known}.", "required"))
        if problems:
            raise invalid(problems)
        if "site" in self.within:
            del values["site"]
        return Change(site_id=site_id, user=principal.user, channel=ChangeSet.Channel.REST, **why), values

    def accept(
        self, change: Change, values: Mapping[str, Any], expects: Mapping[str, int] | None = None
    ) -> Accepted[Any]:
        """Make and accept the change set. `ChangeConflict` is raised as it is; any other refusal, as a
        problem."""
        try:
            return self.operation.accept(change, values, expects)
        except ChangeConflict:
            raise
        except ChangeRefused as refused:
            raise refusal(refused, self._outer_pointer) from refused

    def _site_id(
        self, values: Mapping[str, Any], principal: Principal, problems: list[Problem]
    ) -> int | None:
        """The id of the site that the body names, or whose row it names: the first given of `within` counts.
        Rows that are not there, or not in the caller's scope, become `problems`. The operation itself looks
        for other rows of a site, under the site's lock."""
        site_id = None
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
                    problems.append(Problem(detail, "not_found", where))
            if name in saying:
                site_id = next(iter(sites.values()), None)
        return site_id

    def _outer_pointer(self, path: str) -> str:
        """A pointer into an operation's JSON, or to what the change itself says, as one into the body."""
        said = path.removeprefix("/")
        return f"/change{path}" if said in WHY and said not in self.operation.parameters else path
