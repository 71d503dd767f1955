"""The registry of operations, what a change set can consist of, and how they become rows.

An operation is a typed function ``(work, *, parameters) -> thing``, registered under a name:

    @operation("supply.add", "A DC supply is mounted in a closet.", of=(Supply, SupplyFacts), takes=...)
    def supply_add(work: Work, *, closet: Closet, name: str, **given: Any) -> Supply: ...

The registered object is also the service of one intention: ``supply_add(change, closet=closet, name="PS 1")``
makes a change set of that one operation and accepts it. In a draft the same operation is JSON:
``{"op": "supply.add", "closet_id": 12, "name": "PS 1", "label": "new"}``; a later operation may then name the
new supply as ``"@new"``.
"""

from __future__ import annotations

import datetime as dt
import enum
import functools
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Annotated, Any, Concatenate, Generic, NamedTuple, NoReturn, ParamSpec, TypeVar

from django.db import IntegrityError, models, transaction

from sites.fields import DayField
from sites.models.access import User
from sites.models.changes import MOST_OPERATIONS, ChangeSet
from sites.models.customers import Customer
from sites.wording import did_you_mean, listed, shortened

from . import selectors
from .constraints import problem_of
from .errors import ChangeConflict, ChangeRefused, DraftsOnly, Problem
from .making import Change, change_context, change_set_row, next_site_id, saved
from .parameters import LONGEST_LABEL, Parameter, parameters_of, parse_values
from .signals import change_set_accepted
from .work import Work, depth

P = ParamSpec("P")
R = TypeVar("R")
Kind = ChangeSet.Kind

# Keys of an operation's JSON that are not parameters
ENVELOPE = ("op", "label", "expects")
# The operation whose change set has no site before it
SITE_ADD = "site.add"


class Use(enum.Enum):
    """In which kinds of change set an operation may stand."""

    WORK = "work"  # something was done on site
    CORRECTION = "correction"  # the record was wrong
    ANY = "any"  # nothing dated: names, notes, people


@dataclass(eq=False)
class Operation(Generic[P, R]):
    """One thing that can be done to the record. ``of``: the models whose fields its parameters are, and
    ``takes`` those of them that it takes as ``**given``; ``shared``: of what belongs to no site;
    ``measured``: it notes what was measured or tried, which nobody has to accept."""

    name: str
    sentence: str
    apply: Callable[Concatenate[Work, P], R]
    of: Sequence[type[models.Model]]
    takes: Sequence[str | Parameter]
    use: Use
    shared: bool
    measured: bool

    @functools.cached_property
    def parameters(self) -> Mapping[str, Parameter]:
        # Read late: models that a field refers to may still be imported
        return parameters_of(self.apply, self.of, self.takes)

    @functools.cached_property
    def references(self) -> Sequence[Parameter]:
        """Its parameters that name rows: parts before what they are parts of, which is read with them."""
        found = [one for one in self.parameters.values() if one.model is not None]
        return sorted(found, key=lambda one: -depth(one.model))

    @property
    def schema(self) -> dict[str, Any]:
        """JSON Schema of the operation in a draft."""
        parameters = self.parameters.values()
        return {
            "type": "object",
            "description": self.sentence,
            "properties": {
                "op": {"const": self.name},
                "label": {"type": "string", "maxLength": LONGEST_LABEL},
                **{parameter.key: parameter.schema(labels=True) for parameter in parameters},
            },
            "required": ["op", *(parameter.key for parameter in parameters if parameter.required)],
            "additionalProperties": False,
        }

    def body(self, /, *_args: P.args, **values: P.kwargs) -> dict[str, Any]:
        """The operation as JSON."""
        found: dict[str, Any] = {"op": self.name}
        for name, value in values.items():
            parameter = self.parameters[name]
            found[parameter.key] = parameter.write(value)
        return found

    def __call__(self, change: Change, /, *args: P.args, **values: P.kwargs) -> Accepted[R]:
        """Make a change set of this one operation and accept it; problems point into the operation itself."""
        if args:
            raise TypeError(f"{self.name} takes its parameters by name")
        return self.accept(change, values)

    def accept(
        self, change: Change, values: Mapping[str, Any], expects: Mapping[str, Any] | None = None
    ) -> Accepted[R]:
        """The same, of rows that are still of the versions ``expects``."""
        try:
            return accept(change, [Call(self, values, expects=expects or {})])
        except ChangeRefused as refused:
            raise refused.at(None) from refused.__cause__


@dataclass(frozen=True)
class Call:
    """An operation with its values: rows, or References to rows."""

    operation: Operation[Any, Any]
    values: Mapping[str, Any]
    label: str = ""
    expects: Mapping[str, Any] = field(default_factory=dict)

    @property
    def body(self) -> dict[str, Any]:
        """The call as JSON, without the versions that it expects."""
        return {**self.operation.body(**self.values), **({"label": self.label} if self.label else {})}


@dataclass(frozen=True)
class Accepted(Generic[R]):
    """An accepted change set, and what each of its operations made or changed."""

    change_set: ChangeSet
    results: list[R]

    @property
    def result(self) -> R:
        return self.results[0]


HeldOn = Annotated[
    dt.date | None,
    DayField(
        help_text="What was recorded wrongly held on this day; left out: what holds last, for as long as it "
        "was recorded so."
    ),
]
"""A correction is of what held at some step; who corrects knows a day."""

_registry: dict[str, Operation[Any, Any]] = {}


class Former(NamedTuple):
    """What an operation was called in a release before, and its parameters where they were called otherwise
    (old to new). Drafts of that release are still there."""

    name: str
    parameters: Mapping[str, str]


_former: dict[str, tuple[str, Mapping[str, str]]] = {}
"""By its former name, what an operation is called now, and its parameters."""


def operation(
    name: str,
    sentence: str,
    *,
    of: type[models.Model] | Sequence[type[models.Model]] = (),
    takes: Sequence[str | Parameter] = (),
    use: Use = Use.WORK,
    shared: bool = False,
    measured: bool = False,
    former: Former | None = None,
) -> Callable[[Callable[Concatenate[Work, P], R]], Operation[P, R]]:
    """Register a function as the operation ``name``."""
    of = (of,) if isinstance(of, type) else of

    def register(function: Callable[Concatenate[Work, P], R]) -> Operation[P, R]:
        if name in _registry:
            raise ValueError(f"there are two operations {name}")
        registered = Operation(name, sentence, function, of, takes, use, shared, measured)
        _registry[name] = registered
        if former is not None:
            _former[former.name] = name, former.parameters
        return registered

    return register


def is_measured(bodies: Sequence[Mapping[str, Any]]) -> bool:
    """Whether operations, as they are kept, note nothing but what instruments showed."""
    measured = {name for name, registered in _registry.items() if registered.measured}
    return bool(bodies) and all(as_called_now(body).get("op") in measured for body in bodies)


def as_called_now(body: Mapping[str, Any]) -> Mapping[str, Any]:
    """The body of an operation, of which a release before may have written the names."""
    name = body.get("op")
    if not isinstance(name, str) or name not in _former:
        return body
    now, parameters = _former[name]
    return {"op": now, **{parameters.get(key, key): value for key, value in body.items() if key != "op"}}


def require_may_accept(
    user: User | None,
    site_id: int | None,
    bodies: Sequence[Mapping[str, Any]],
    advice: str = "send it as a draft (POST /api/v1/change-sets)",
) -> None:
    """Raise `DraftsOnly` (a 403) for a technician where the site's customer has their changes looked at
    first. Tests are taken all the same. advice: what to do instead."""
    if user is None or user.role != User.Role.TECHNICIAN or is_measured(bodies):
        return
    customer = Customer.objects.filter(sites__pk=site_id or 0, technicians_accept=False).first()
    if customer is not None:
        raise DraftsOnly(customer.name, advice)


def operations() -> list[Operation[Any, Any]]:
    """All operations, by name."""
    return [_registry[name] for name in sorted(_registry)]


# --- from the JSON of a draft ----------------------------------------------------------------------------


def read_operations(bodies: Any) -> list[Call]:
    """The operations that a draft's JSON names, with their values; ChangeRefused names all that is wrong."""
    if not isinstance(bodies, list) or not bodies:
        detail = 'Expected a list of operations, such as [{"op": "point.remove", "point_id": 12}].'
        raise ChangeRefused([Problem(detail, "invalid", "/operations")])
    if len(bodies) > MOST_OPERATIONS:
        detail = f"Expected {MOST_OPERATIONS} operations at most; there are {len(bodies)}."
        raise ChangeRefused([Problem(detail, "max_length", "/operations")])
    calls: list[Call] = []
    problems: list[Problem] = []
    for index, written in enumerate(bodies):
        body = as_called_now(written) if isinstance(written, dict) else written
        found = _find(body)
        if isinstance(found, Problem):
            problems.append(found.at(index))
            continue
        values, wrong = parse_values(found.parameters, body, labels=True, beside=ENVELOPE)
        problems += [problem.at(index) for problem in [*wrong, *_envelope_problems(body)]]
        calls.append(Call(found, values, body.get("label", ""), body.get("expects") or {}))
    if problems:
        raise ChangeRefused(problems)
    return calls


def label_problems(body: Mapping[str, Any]) -> list[Problem]:
    """What is wrong with the label of an operation's JSON."""
    label = body.get("label", "")
    if isinstance(label, str) and re.fullmatch(rf"[\w .-]{{0,{LONGEST_LABEL}}}", label):
        return []
    detail = "label must be a short name of letters, digits, spaces, dots and dashes."
    return [Problem(detail, "invalid", "/label")]


def _envelope_problems(body: Mapping[str, Any]) -> list[Problem]:
    problems = label_problems(body)
    expected = body.get("expects", {})
    if not isinstance(expected, dict) or not all(_is_version(key, value) for key, value in expected.items()):
        detail = 'expects must be versions by row, such as {"supply/12": 41}.'
        problems.append(Problem(detail, "invalid", "/expects"))
    return problems


def _is_version(key: str, version: Any) -> bool:
    versions = version if isinstance(version, list) else [version]
    numbers = all(isinstance(one, int) and not isinstance(one, bool) for one in versions)
    return numbers and re.fullmatch(r"[a-z_]{1,40}(/[0-9]{1,18}){1,3}", key) is not None


def _find(body: Any) -> Operation[Any, Any] | Problem:
    if not isinstance(body, dict):
        return Problem('Expected an object such as {"op": "point.remove", "point_id": 12}.', "invalid")
    name = body.get("op")
    if not isinstance(name, str):
        return Problem("op is missing; expected the name of an operation.", "required", "/op")
    if name not in _registry:
        thing = name.split(".")[0]
        alike = sorted(one for one in _registry if one.startswith(f"{thing}."))
        known = did_you_mean(name, alike or _registry) + (f" There are: {listed(alike)}." if alike else "")
        return Problem(f"There is no operation {shortened(name)!r}.{known}", "unknown", "/op")
    return _registry[name]


# --- into rows -------------------------------------------------------------------------------------------


@transaction.atomic
def accept(change: Change, calls: Sequence[Call]) -> Accepted[Any]:
    """Make a change set of ``calls`` and accept it.

    0. Refuse what this user may only draft.
    1. Insert the change set as accepted: the database locks the site's row and gives the step.
    2. Apply operation by operation, checking the versions each expects before it.
    3. Check deferred keys, send the signal. The caller's transaction commits, or nothing was written.
    """
    site_id = change.site_id
    if site_id is None and calls[0].operation.name == SITE_ADD:
        site_id = next_site_id()
    bodies = [call.body for call in calls]
    require_may_accept(change.user, change.site_id, bodies)
    change_set = saved(
        change_set_row(replace(change, site_id=site_id, kind=kind_for(change.kind, calls)), operations=bodies)
    )
    work = apply_calls(change_set, calls)
    if change.site_id is None:  # whose a new site is, it says itself
        require_may_accept(change.user, site_id, bodies, "ask one to add the site")
    change_set_accepted.send(ChangeSet, change_set=change_set)
    return Accepted(change_set, work.results)


def apply_calls(change_set: ChangeSet, calls: Sequence[Call], *, learning: bool = False) -> Work:
    """Write the rows of ``change_set``. ChangeRefused says which operation was refused, and why; then the
    caller's transaction must be rolled back. ``learning``: note the versions that each builds on."""
    work = Work(change_set, learning=learning)
    index: int | None = None
    try:
        with change_context(change_set):
            for index, call in enumerate(calls):  # noqa: B007 - the operation at hand when one is refused
                apply_call(work, call)
            # A deferred key is checked when the context ends, and belongs to no single operation
            index = None
    except ChangeRefused as refused:
        raise refused.at(index) from refused.__cause__
    except IntegrityError as error:
        raise ChangeRefused([problem_of(error).at(index)]) from error
    return work


def apply_call(work: Work, call: Call) -> None:
    """Write the rows of one operation; ChangeRefused points into it."""
    work.expects = {}
    if call.operation.shared is (work.site_id is not None):
        _refuse_place(call.operation)
    if call.expects:
        _require_expected(work, call)
    result = call.operation.apply(work, **work.resolve(call.values, call.operation.references))
    work.results.append(result)
    work.found_expectations.append(work.expects)
    if call.label:
        work.labels[call.label] = result


def _refuse_place(operation: Operation[Any, Any]) -> NoReturn:
    if operation.shared:
        detail = f"{operation.name} changes what all sites share, and this change set one site: make two."
        raise ChangeRefused([Problem(detail, "of_no_site", "/op")])
    detail = f"{operation.name} belongs to one site, and this change set names none: name its site."
    raise ChangeRefused([Problem(detail, "of_a_site", "/op")])


def _require_expected(work: Work, call: Call) -> None:
    own, site_id = work.change_set.pk, work.change_set.site_id
    for key, now in selectors.versions_now(call.expects, site_id=site_id).items():
        if now in (call.expects[key], own):
            continue
        between = sorted(set(now) - set(call.expects[key])) if isinstance(now, list) else [now] if now else []
        rows = ChangeSet.objects.filter(pk__in=between, site=site_id)
        names = [selectors.describe_change_set(row) for row in rows]
        came = " and ".join(names) or "another change"
        detail = f"{call.operation.name} was drawn up for {key} as it was before {came}."
        raise ChangeConflict([Problem(detail, "conflict")], tuple(between))


_WHAT = {Use.WORK: "work on site", Use.CORRECTION: "a correction of the record"}


def kind_for(asked: ChangeSet.Kind | None, calls: Sequence[Call]) -> ChangeSet.Kind:
    """The kind of a change set of these operations; a correction and work on site are two change sets."""
    uses = [call.operation.use for call in calls]
    kind = asked or (Kind.CORRECTION if Use.CORRECTION in uses else Kind.WORK)
    misplaced = Use.WORK if kind == Kind.CORRECTION else Use.CORRECTION
    problems = [
        Problem(
            f"{call.operation.name} is {_WHAT[misplaced]}, and this change set is not: make two.",
            "kind_of_change",
            "/op",
        ).at(index)
        for index, call in enumerate(calls)
        if call.operation.use is misplaced
    ]
    if problems:
        raise ChangeRefused(problems)
    return kind
