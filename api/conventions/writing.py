"""Writes to the record: the body of a request is one operation of `sites.changes`, and why it is done.

The operation defines the body, so that REST, drafts and pages take the same values under the same names. The
body is parsed once; its values go to the operation as they are. Every write makes a change set of
its one operation and carries ``change: {reason, happened_on, job_reference, done_by}``."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final, cast

from django.db.models import Model

from sites.access.scope import scoped
from sites.access.selectors import Principal
from sites.changes.errors import ChangeConflict, ChangeRefused, Problem
from sites.changes.operations import Accepted, Operation
from sites.changes.parameters import Parameter, parse_values
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
        """The change that the body asks for, and the operation's values; errors name every wrong place at
        once. The change has the site of what `within` names; None where the address says the site, and for
        what all sites share."""
        why, problems = read_why(body)
        values, wrong = parse_values(self.parameters, body, partial=self.partial, beside=["change"])
        problems += wrong
        site_id = self.site_id(values, self.rows_named([values], principal), problems)
        if not problems and self.partial and not set(values) - {"held_on"}:
            known = listed(sorted(one.key for one in self.parameters.values()), most=40)
            problems.append(Problem(f"Nothing is to change: name at least one of {known}.", "empty"))
        if not problems and self.within and site_id is None:
            problems.append(self.without_site())
        if problems:
            raise invalid(problems)
        return change_by(principal, site_id, why), self.of_operation(values)

    def of_operation(self, values: Mapping[str, Any]) -> dict[str, Any]:
        """The values that the operation itself takes."""
        return {name: value for name, value in values.items() if name in self.operation.parameters}

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
            raise refusal(refused, self.outer_pointer) from refused

    # --- of which site it is ------------------------------------------------------------------------------

    def rows_named(self, bodies: Iterable[Mapping[str, Any]], principal: Principal) -> RowsNamed:
        """By model, the rows in the caller's scope that values of bodies name, each with its site: what says
        of which site a new thing is, and what all sites share. The operation itself looks for other rows of a
        site, under the site's lock."""
        wanted: dict[type[Model], set[int]] = defaultdict(set)
        for values in bodies:
            for parameter in self._looked_for(values):
                assert parameter.model is not None
                wanted[parameter.model].update(_ids(parameter, values))
        found: dict[type[Model], dict[int, int]] = {}
        for model, ids in wanted.items():
            rows = scoped(model, principal.scope).filter(pk__in=ids)
            found[model] = dict(rows.values_list("pk", "site_id" if issubclass(model, Recorded) else "pk"))
        return found

    def site_id(
        self, values: Mapping[str, Any], known: RowsNamed, problems: list[Problem], at: str = ""
    ) -> int | None:
        """The id of the site that the values name, or whose row they name: the first given of `within`
        counts. Rows that are not there, or not in the caller's scope, become `problems`. at: the JSON pointer
        to these values."""
        site_id = None
        saying = self._saying(values)
        for parameter in self._looked_for(values):
            assert parameter.model is not None
            sites = known[parameter.model]
            for place, id_ in enumerate(_ids(parameter, values)):
                if id_ not in sites:
                    where = pointer(parameter.key, place) if parameter.many else pointer(parameter.key)
                    detail = f"There is no {parameter.model._meta.verbose_name} {id_}."
                    problems.append(Problem(detail, "not_found", f"{at}{where}"))
                elif parameter.name == saying and site_id is None:
                    site_id = sites[id_]
        return site_id

    def without_site(self, at: str = "") -> Problem:
        """The problem of values that do not say which site a new thing belongs to."""
        known = listed(sorted(self.parameters[name].key for name in self.within), most=40)
        return Problem(f"Say what it belongs to: one of {known}.", "required", at)

    def _saying(self, values: Mapping[str, Any]) -> str | None:
        return next((name for name in self.within if values.get(name)), None)

    def _looked_for(self, values: Mapping[str, Any]) -> Iterator[Parameter]:
        saying = self._saying(values)
        for name, value in values.items():
            model = self.parameters[name].model
            if not value or model is None:
                continue
            if name == saying or not issubclass(model, Recorded | Catalogued):
                yield self.parameters[name]

    def outer_pointer(self, problem: Problem) -> str:
        """A pointer into an operation's JSON, or to what the change itself says, as one into the body."""
        said = problem.path.removeprefix("/")
        of_change = said in WHY and said not in self.operation.parameters
        return f"/change{problem.path}" if of_change else problem.path


RowsNamed = Mapping[type[Model], Mapping[int, int]]


def _ids(parameter: Parameter, values: Mapping[str, Any]) -> list[int]:
    value = values[parameter.name]
    return [one.pk for one in (value if parameter.many else [value])]


def read_why(body: Any) -> tuple[Mapping[str, Any], list[Problem]]:
    """Why the record changes, as a body says it, and what is wrong with that."""
    if not isinstance(body, Mapping):
        raise invalid([Problem("Expected a JSON object.", "invalid")])
    said = body.get("change")
    if isinstance(said, Mapping):
        return parse_values(WHY, said, within="/change")
    if "change" in body:
        return {}, [Problem("change: expected a JSON object.", "invalid", "/change")]
    detail = 'Say why: "change" holds a reason, and may hold happened_on, job_reference and done_by.'
    return {}, [Problem(detail, "required", "/change")]


def change_by(principal: Principal, site_id: int | None, why: Mapping[str, Any]) -> Change:
    """A change that comes by REST."""
    return Change(site_id=site_id, user=principal.user, channel=ChangeSet.Channel.REST, **why)
