"""The registry of operations: what a change set can consist of.

An operation is a typed function ``(work, *, parameters) -> thing``, registered under a name:

    @operation("supply.add", "A DC supply is mounted in a closet.")
    def supply_add(work: Work, *, closet: Closet, name: str) -> Supply: ...

The registered object is also the service of one intention: ``supply_add(change, closet=closet, name="PS 1")``
makes a change set of that one operation and accepts it. In a draft, or over REST, the same operation is JSON:
``{"op": "supply.add", "closet": 12, "name": "PS 1", "label": "new"}``; a later operation may then name the
new supply as ``"@new"``.
"""

from __future__ import annotations

import difflib
import enum
import re
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, Concatenate, Generic, ParamSpec, TypeVar

from .errors import ChangeRefused, Problem
from .parameters import Parameter, parameters_of, read_parameters, write_parameters

if TYPE_CHECKING:
    from .services import Accepted, Change
    from .work import Work

P = ParamSpec("P")
R = TypeVar("R")

# Keys of an operation's JSON that are not parameters
ENVELOPE = frozenset({"op", "label", "expects"})


class Use(enum.Enum):
    """In which kinds of change set an operation may stand."""

    WORK = "work"  # something was done on site
    CORRECTION = "correction"  # the record was wrong
    ANY = "any"  # nothing dated: names, notes, people


class Operation(Generic[P, R]):
    """One thing that can be done to the record."""

    def __init__(
        self,
        name: str,
        sentence: str,
        apply: Callable[Concatenate[Work, P], R],
        *,
        use: Use,
        shared: bool,
    ) -> None:
        self.name = name
        self.sentence = sentence
        self.apply = apply
        self.use = use
        self.shared = shared
        self.__doc__ = sentence

    @property
    def parameters(self) -> Mapping[str, Parameter]:
        # Read late: the types in a signature may be of modules that are still being imported
        if not hasattr(self, "_parameters"):
            self._parameters = parameters_of(self.apply)
        return self._parameters

    @property
    def schema(self) -> dict[str, Any]:
        """JSON Schema of the operation in a draft."""
        return {
            "type": "object",
            "description": self.sentence,
            "properties": {
                "op": {"const": self.name},
                "label": {"type": "string"},
                **{name: parameter.schema for name, parameter in self.parameters.items()},
            },
            "required": ["op", *(name for name, one in self.parameters.items() if one.required)],
            "additionalProperties": False,
        }

    def body(self, /, *_args: P.args, **values: P.kwargs) -> dict[str, Any]:
        """The operation as JSON."""
        return {"op": self.name, **write_parameters(self.parameters, values)}

    def __call__(self, change: Change, /, *args: P.args, **values: P.kwargs) -> Accepted[R]:
        """Make a change set of this one operation and accept it."""
        from .services import change_one

        return change_one(change, self.body(*args, **values))


_registry: dict[str, Operation[Any, Any]] = {}


def operation(
    name: str, sentence: str, *, use: Use = Use.WORK, shared: bool = False
) -> Callable[[Callable[Concatenate[Work, P], R]], Operation[P, R]]:
    """Register a function as the operation ``name``. ``shared``: of what belongs to no site."""

    def register(function: Callable[Concatenate[Work, P], R]) -> Operation[P, R]:
        if name in _registry:
            raise ValueError(f"there are two operations {name}")
        registered = Operation(name, sentence, function, use=use, shared=shared)
        _registry[name] = registered
        return registered

    return register


def operations() -> list[Operation[Any, Any]]:
    """All operations, by name."""
    return [_registry[name] for name in sorted(_registry)]


def read_operations(bodies: Any) -> list[tuple[Operation[Any, Any], dict[str, Any]]]:
    """The operations that a draft's JSON names, with their values; ChangeRefused names all that is wrong."""
    if not isinstance(bodies, list) or not bodies:
        detail = 'Expected a list of operations, such as [{"op": "point.remove", "point": 12}].'
        raise ChangeRefused([Problem(detail, "invalid", "/operations")])
    read: list[tuple[Operation[Any, Any], dict[str, Any]]] = []
    problems: list[Problem] = []
    for index, body in enumerate(bodies):
        found = _find(body)
        if isinstance(found, Problem):
            problems.append(found.at(index))
            continue
        values, wrong = read_parameters(
            found.parameters, {name: value for name, value in body.items() if name not in ENVELOPE}
        )
        wrong += _envelope_problems(body)
        problems += [problem.at(index) for problem in wrong]
        read.append((found, values))
    if problems:
        raise ChangeRefused(problems)
    return read


def _envelope_problems(body: Mapping[str, Any]) -> list[Problem]:
    problems = []
    label = body.get("label", "")
    if not isinstance(label, str) or not re.fullmatch(r"[\w .-]{0,80}", label):
        detail = "label must be a short name of letters, digits, spaces, dots and dashes."
        problems.append(Problem(detail, "invalid", "/label"))
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
        return Problem('Expected an object such as {"op": "point.remove", "point": 12}.', "invalid")
    name = body.get("op")
    if not isinstance(name, str):
        return Problem("op is missing; expected the name of an operation.", "required", "/op")
    if name not in _registry:
        close = difflib.get_close_matches(name, _registry, n=1)
        hint = f"; did you mean {close[0]}?" if close else "."
        return Problem(f"There is no operation {name}{hint}", "unknown", "/op")
    return _registry[name]
