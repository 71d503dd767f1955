"""The parameters of an operation, read off its signature: what JSON may say, and what it becomes.

One declaration (the typed signature) serves the type checker, the JSON of drafts, and the API's schema.
"""

from __future__ import annotations

import datetime as dt
import difflib
import enum
import inspect
import math
import types
import typing
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from django.db import models

from .errors import Problem


@dataclass(frozen=True)
class Reference:
    """A row named by its id, or by the label of an earlier operation (``@gateway``,
    ``@gateway/output/2``)."""

    model: type[models.Model]
    named: int | str


class _Wrong(Exception):  # noqa: N818 - a value is
    """A value is not what it should be; says what would be right."""


@dataclass(frozen=True)
class Kind:
    """One kind of value: how JSON becomes Python and back, and its JSON Schema."""

    expected: str
    read: Callable[[Any], Any]
    write: Callable[[Any], Any]
    schema: Mapping[str, Any]


@dataclass(frozen=True)
class Parameter:
    name: str
    required: bool
    nullable: bool
    kind: Kind

    def read(self, value: Any) -> Any:
        if value is None:
            if self.nullable:
                return None
            raise _Wrong(f"must not be null; expected {self.kind.expected}")
        return self.kind.read(value)

    def write(self, value: Any) -> Any:
        return None if value is None else self.kind.write(value)

    @property
    def schema(self) -> dict[str, Any]:
        schema = dict(self.kind.schema)
        return {"anyOf": [schema, {"type": "null"}]} if self.nullable else schema


def parameters_of(function: Callable[..., Any]) -> dict[str, Parameter]:
    """The keyword-only parameters of ``function``, those of an unpacked TypedDict included."""
    hints = typing.get_type_hints(function)
    found: dict[str, Parameter] = {}
    for name, parameter in inspect.signature(function).parameters.items():
        if parameter.kind is inspect.Parameter.KEYWORD_ONLY:
            required = parameter.default is inspect.Parameter.empty
            found[name] = _parameter(name, hints[name], required=required)
        elif parameter.kind is inspect.Parameter.VAR_KEYWORD:
            (fields,) = typing.get_args(hints[name])
            for field, hint in typing.get_type_hints(fields).items():
                found[field] = _parameter(field, hint, required=field in fields.__required_keys__)
    return found


def read_parameters(
    parameters: Mapping[str, Parameter], given: Mapping[str, Any]
) -> tuple[dict[str, Any], list[Problem]]:
    """Python values of the JSON object ``given``, and all that is wrong with it."""
    values: dict[str, Any] = {}
    problems = [
        Problem(f"{name} is missing; expected {parameter.kind.expected}.", "required", f"/{name}")
        for name, parameter in parameters.items()
        if parameter.required and name not in given
    ]
    for name, value in given.items():
        parameter = parameters.get(name)
        if parameter is None:
            close = difflib.get_close_matches(name, parameters, n=1)
            hint = f"did you mean {close[0]}?" if close else f"it takes {', '.join(parameters)}."
            problems.append(Problem(f"There is no parameter {name}; {hint}", "unknown", f"/{name}"))
            continue
        try:
            values[name] = parameter.read(value)
        except _Wrong as wrong:
            problems.append(Problem(f"{name} {wrong}.", "invalid", f"/{name}"))
    return values, problems


def write_parameters(parameters: Mapping[str, Parameter], values: Mapping[str, Any]) -> dict[str, Any]:
    """The JSON object that says ``values``."""
    return {
        name: parameters[name].write(value) if name in parameters else value for name, value in values.items()
    }


def _parameter(name: str, hint: Any, *, required: bool) -> Parameter:
    nullable = False
    if typing.get_origin(hint) in (typing.Union, types.UnionType):
        options = [option for option in typing.get_args(hint) if option is not type(None)]
        nullable = len(options) < len(typing.get_args(hint))
        (hint,) = options
    return Parameter(name, required, nullable, _kind(hint))


def _kind(hint: Any) -> Kind:
    if typing.get_origin(hint) is list:
        return _many(_kind(typing.get_args(hint)[0]))
    if hint in _PLAIN:
        return _PLAIN[hint]
    if issubclass(hint, enum.Enum):
        return _choice(hint)
    if issubclass(hint, models.Model):
        return _reference(hint)
    raise TypeError(f"no kind of parameter for {hint!r}")


def _read_text(value: Any) -> str:
    if not isinstance(value, str):
        raise _Wrong("must be text")
    if "\0" in value or any(0xD800 <= ord(letter) < 0xE000 for letter in value):
        raise _Wrong("must be text without NUL and lone surrogates")
    return value.strip()


def _read_whole(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not -(2**63) <= value < 2**63:
        raise _Wrong("must be a whole number")
    return value


def _read_number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise _Wrong("must be a number")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise _Wrong("must be a finite number")
    return number


def _read_flag(value: Any) -> bool:
    if not isinstance(value, bool):
        raise _Wrong("must be true or false")
    return value


def _read_day(value: Any) -> dt.date:
    if isinstance(value, dt.date) and not isinstance(value, dt.datetime):
        return value
    try:
        return dt.date.fromisoformat(value)
    except (TypeError, ValueError):
        raise _Wrong("must be a day such as 2026-11-25") from None


def _same(value: Any) -> Any:
    return value


_PLAIN: dict[Any, Kind] = {
    str: Kind("text", _read_text, _same, {"type": "string"}),
    int: Kind("a whole number", _read_whole, _same, {"type": "integer"}),
    float: Kind("a number", _read_number, _same, {"type": "number"}),
    bool: Kind("true or false", _read_flag, _same, {"type": "boolean"}),
    dt.date: Kind(
        "a day such as 2026-11-25", _read_day, dt.date.isoformat, {"type": "string", "format": "date"}
    ),
}


def word_of(member: enum.Enum) -> str:
    """How JSON says a choice: always a word."""
    return member.value if isinstance(member.value, str) else member.name.lower()


def _choice(choices: type[enum.Enum]) -> Kind:
    members = {word_of(member): member for member in choices}
    expected = "one of " + ", ".join(members)

    def read(value: Any) -> enum.Enum:
        if isinstance(value, choices):
            return value
        if not isinstance(value, str) or value not in members:
            raise _Wrong(f"must be {expected}")
        return members[value]

    return Kind(expected, read, lambda value: word_of(choices(value)), {"enum": list(members)})


def _reference(model: type[models.Model]) -> Kind:
    expected = f"the id of a {model._meta.verbose_name}, or the label of an earlier operation, such as @new"

    def read(value: Any) -> Reference:
        if isinstance(value, str) and len(value) > 1 and value.startswith("@"):
            return Reference(model, value)
        try:
            return Reference(model, _read_whole(value))
        except _Wrong:
            raise _Wrong(f"must be {expected}") from None

    schema = {"anyOf": [{"type": "integer"}, {"type": "string", "pattern": "^@."}]}
    return Kind(expected, read, lambda value: value.pk if isinstance(value, models.Model) else value, schema)


def _many(kind: Kind) -> Kind:
    def read(value: Any) -> list[Any]:
        if not isinstance(value, list | tuple):
            raise _Wrong(f"must be a list, each item {kind.expected}")
        return [kind.read(item) for item in value]

    return Kind(
        f"a list, each item {kind.expected}",
        read,
        lambda values: [kind.write(value) for value in values],
        {"type": "array", "items": dict(kind.schema)},
    )
