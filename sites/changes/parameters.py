"""The parameters of an operation: what JSON may say, and what it becomes.

A parameter that is named like a field of the operation's model is that field: its type, bounds and words. Any
other says its field in the signature (``Annotated``). A reference to a row is called as it is where the row
is shown: ``run`` is ``run_id`` in JSON, ``zones`` are ``zone_ids``.
"""

from __future__ import annotations

import functools
import inspect
import types
import typing
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from django.core.exceptions import ValidationError
from django.db import models

from sites.fields import LARGEST_ID, Fact, WordField
from sites.wording import did_you_mean, shortened, with_article

from .errors import MOST_NAMED, Problem

MOST_IDS: Final = 500
"""Rows that one operation names at most in a list."""
LONGEST_LABEL: Final = 80
_LONGEST_REFERENCE: Final = 1 + LONGEST_LABEL + len("/switch_port/512")
ID_SCHEMA = {"type": "integer", "format": "int64", "minimum": 1, "maximum": LARGEST_ID}
LABEL_SCHEMA = {"type": "string", "pattern": "^@.", "maxLength": _LONGEST_REFERENCE}


@dataclass(frozen=True)
class Reference:
    """A row named by its id, or by the label of an earlier operation (``@gateway``,
    ``@gateway/output/2``)."""

    model: type[models.Model]
    pk: int | str


@dataclass(frozen=True)
class Parameter:
    """A parameter: a fact, or a reference to one row of ``model`` or (``many``) to several. ``place``: it
    says where a thing stands, which is not dated."""

    name: str
    required: bool
    nullable: bool
    fact: Fact | None = None
    model: type[models.Model] | None = None
    many: bool = False
    place: bool = False

    @functools.cached_property
    def key(self) -> str:
        """Its name in JSON."""
        if self.model is None:
            return self.name
        return f"{self.name.removesuffix('s')}_ids" if self.many else f"{self.name}_id"

    @property
    def expected(self) -> str:
        if self.fact is not None:
            return self.fact.expected
        one = f"the id of {with_article(self._kind)}"
        return f"a list of at most {MOST_IDS} items, each {one}" if self.many else one

    @property
    def _kind(self) -> str:
        assert self.model is not None
        return str(self.model._meta.verbose_name)

    def parse(self, value: Any, *, labels: bool) -> Any:
        """The value that JSON says, a ``Reference`` for a row; ValidationError says what was expected."""
        if value is None and self.nullable:
            return None
        if self.model is None:
            assert self.fact is not None
            if value is None:
                raise ValidationError(f"expected {self.fact.expected}", code="invalid")
            return self.fact.parse(value)
        if self.many and not (isinstance(value, list) and len(value) <= MOST_IDS):
            raise self._wrong(labels)
        references = []
        for item in value if self.many else [value]:
            if isinstance(item, str):
                fits = labels and 1 < len(item) <= _LONGEST_REFERENCE and item.startswith("@")
            else:
                fits = isinstance(item, int) and not isinstance(item, bool) and 0 < item <= LARGEST_ID
            if not fits:
                raise self._wrong(labels)
            references.append(Reference(self.model, item))
        return references if self.many else references[0]

    def _wrong(self, labels: bool) -> ValidationError:
        or_label = ", or the label of an earlier operation, such as @new" if labels else ""
        return ValidationError(f"expected {self.expected}{or_label}", code="invalid")

    def write(self, value: Any) -> Any:
        """The JSON of a value."""
        if value is None:
            return None
        if self.many:
            return [item.pk for item in value]
        return value.pk if self.fact is None else self.fact.write(value)

    def schema(self, *, labels: bool) -> dict[str, Any]:
        """JSON Schema; ``labels``: rows can also be named by the label of an earlier operation."""
        if self.fact is not None:
            schema: dict[str, Any] = dict(self.fact.schema)
            if self.fact.help_text:
                schema["description"] = str(self.fact.help_text)
        else:
            one = {"anyOf": [ID_SCHEMA, LABEL_SCHEMA]} if labels else dict(ID_SCHEMA)
            schema = {"type": "array", "items": one, "maxItems": MOST_IDS} if self.many else one
        return {"anyOf": [schema, {"type": "null"}]} if self.nullable else schema


def parameters_of(
    function: Callable[..., Any], of: Sequence[type[models.Model]] = (), takes: Sequence[str | Parameter] = ()
) -> dict[str, Parameter]:
    """The keyword-only parameters of ``function`` by name, and those of ``takes``: fields of the models
    ``of`` that it takes as ``**given``."""
    hints = typing.get_type_hints(function, include_extras=True)
    found: dict[str, Parameter] = {}
    for name, parameter in inspect.signature(function).parameters.items():
        if parameter.kind is inspect.Parameter.KEYWORD_ONLY:
            required = parameter.default is inspect.Parameter.empty
            found[name] = _declared(name, hints[name], _field(of, name), required=required)
    for taken in takes:
        if isinstance(taken, Parameter):
            found[taken.name] = taken
            continue
        field = _field(of, taken)
        if field is None:
            raise TypeError(f"{function.__name__} takes {taken}, which is not a field of its models")
        found[taken] = parameter_of(field)
    return found


def _field(of: Sequence[type[models.Model]], name: str) -> models.Field[Any, Any] | None:
    for model in of:
        for field in model._meta.local_fields:
            if field.name == name:
                return field
    return None


def parameter_of(field: Any, *, required: bool = False) -> Parameter:
    """The parameter that is a field of a model."""
    if isinstance(field, Fact):
        return Parameter(field.name, required, field.null, fact=field)
    assert isinstance(field, models.ForeignKey)
    place = getattr(field, "place", False)
    return Parameter(field.name, required, field.null, model=field.remote_field.model, place=place)


def _declared(name: str, hint: Any, field: models.Field[Any, Any] | None, *, required: bool) -> Parameter:
    facts = [extra for extra in getattr(hint, "__metadata__", ()) if isinstance(extra, Fact)]
    hint = typing.get_args(hint)[0] if facts else hint
    nullable = False
    if typing.get_origin(hint) in (typing.Union, types.UnionType):
        options = [option for option in typing.get_args(hint) if option is not type(None)]
        nullable = len(options) < len(typing.get_args(hint))
        (hint,) = options
    if facts:
        return Parameter(name, required, nullable, fact=facts[0])
    many = typing.get_origin(hint) is list
    kind = typing.get_args(hint)[0] if many else hint
    if isinstance(kind, type) and issubclass(kind, models.Model):
        place = getattr(field, "place", False)
        return Parameter(name, required, nullable, model=kind, many=many, place=place)
    if isinstance(field, Fact):
        return Parameter(name, required, nullable, fact=field)
    if isinstance(kind, type) and issubclass(kind, models.Choices):
        return Parameter(name, required, nullable, fact=WordField(kind))
    raise TypeError(f"{name} is not a field of the operation's model: say which with Annotated")


def parse_values(
    parameters: Mapping[str, Parameter],
    given: Mapping[str, Any],
    *,
    labels: bool | Collection[str] = False,
    partial: bool = False,
    beside: Collection[str] = (),
    within: str = "",
) -> tuple[dict[str, Any], list[Problem]]:
    """Python values of the JSON object ``given``, and all that is wrong with it.

    ``labels``: whether rows can be named by labels, or the parameters whose rows can. ``partial``: anything
    may be left out. ``beside``: keys that stand there too and are read elsewhere.
    ``within``: the JSON pointer to ``given``.
    """
    by_key: dict[str, Parameter] = {}
    values: dict[str, Any] = {}
    problems: list[Problem] = []
    unknown = 0
    for one in parameters.values():
        by_key[one.key] = one
        if one.required and one.key not in given and not partial:
            detail = f"{one.key} is missing; expected {one.expected}."
            problems.append(Problem(detail, "required", f"{within}/{one.key}"))
    for key, value in given.items():
        if key in by_key:
            try:
                one = by_key[key]
                labelled = labels if isinstance(labels, bool) else one.name in labels
                values[one.name] = one.parse(value, labels=labelled)
            except ValidationError as error:
                problems.append(
                    Problem(f"{key}: {error.messages[0]}.", "invalid", f"{within}/{_escaped(key)}")
                )
        elif key not in beside:
            unknown += 1
            if unknown <= MOST_NAMED:
                problems.append(_unknown(key, [*by_key, *beside], within))
    if unknown > MOST_NAMED:
        more = unknown - MOST_NAMED
        problems.append(Problem(f"{more:,} more names are not known here.", "unknown", within, count=more))
    return values, problems


def _unknown(key: str, known: Sequence[str], within: str) -> Problem:
    hint = did_you_mean(key, known) or f" What can stand here: {', '.join(known)}."
    return Problem(f"There is no {shortened(key)!r} here.{hint}", "unknown", f"{within}/{_escaped(key)}")


def _escaped(key: str) -> str:
    # RFC 6901
    return shortened(key, 200).replace("~", "~0").replace("/", "~1")
