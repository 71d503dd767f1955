"""Serializers: of bodies and queries, which refuse every unknown or read-only name, and of resources, whose
fields follow from their models."""

from __future__ import annotations

import copy
from collections.abc import Hashable, Mapping, Sequence
from datetime import date, datetime
from functools import cache, lru_cache
from typing import Any, ClassVar, Final, cast

from django.core.exceptions import FieldDoesNotExist
from django.db.models import (
    BooleanField,
    CharField,
    Count,
    DateField,
    DateTimeField,
    FloatField,
    IntegerField,
    Model,
    Prefetch,
    QuerySet,
    TextField,
    Window,
    prefetch_related_objects,
)
from django.db.models import Field as ModelField
from rest_framework import serializers
from rest_framework.exceptions import ErrorDetail
from rest_framework.exceptions import ValidationError as Invalid
from rest_framework.settings import api_settings
from rest_framework.utils.serializer_helpers import BindingDict

from sites.changes.errors import MOST_NAMED
from sites.fields import ListField
from sites.wording import did_you_mean, listed, shortened

from . import fields, sizes
from .showing import PlainListSerializer, PlainSerializer

_NOT_KNOWN: Final = [ErrorDetail("There is no such name here.", code="unknown")]


class StrictListSerializer(fields.Worded, PlainListSerializer):
    default_error_messages = {
        "not_a_list": "Expected a list of objects.",
        "empty": "Expected at least one item.",
    }


class StrictSerializer(fields.Worded, PlainSerializer):
    """What a request's body holds."""

    default_error_messages = {"invalid": "Expected a JSON object."}

    class Meta:
        list_serializer_class = StrictListSerializer

    def to_internal_value(self, data: Any) -> Any:
        """The values; every unknown name is reported beside the other errors, never instead of them."""
        if not isinstance(data, Mapping):
            return super().to_internal_value(data)
        names = [name for name in data if name not in self.fields or self.fields[name].read_only]
        unknown = self._unknown(names) if names else {}
        try:
            values = super().to_internal_value(data)
        except Invalid as error:
            if not unknown:
                raise
            raise Invalid({**unknown, **error.detail}) from error  # type: ignore[dict-item]
        if unknown:
            raise Invalid(unknown)
        return values

    def _unknown(self, names: Sequence[str]) -> dict[str, list[ErrorDetail]]:
        writable = {name for name, field in self.fields.items() if not field.read_only}
        found: dict[str, list[ErrorDetail]] = {}
        for place, name in enumerate(names):
            if place >= MOST_NAMED:
                found[name] = _NOT_KNOWN  # it is counted and not shown
            elif name in self.fields:
                text = f"{name} is not written here: it follows from the rest. Leave it out."
                found[name] = [ErrorDetail(text, code="read_only")]
            else:
                text = (
                    f"There is no {shortened(name)!r} here.{did_you_mean(name, writable)} "
                    f"What can stand here: {listed(sorted(writable), most=40)}."
                )
                found[name] = [ErrorDetail(text, code="unknown")]
        return found


LONGEST_QUERIED: Final = 500
"""Characters of a text in a query that states no limit of its own; a cursor holds a name, signed and
encoded."""


class QuerySerializer(fields.Queried, StrictSerializer):
    """What a request's query holds: each name at most once, and no text without a limit."""

    def __init_subclass__(cls, **kwargs: Any) -> None:
        field: Any
        for field in cls._declared_fields.values():
            is_text = isinstance(field, serializers.CharField)
            if is_text and field.max_length is None:
                # What the library copies the field from
                field._kwargs["max_length"] = LONGEST_QUERIED  # noqa: SLF001
        super().__init_subclass__(**kwargs)

    @property
    def fields(self) -> Any:
        """Bound once for all queries of a class: to bind them takes longer than to read a query, and none of
        them asks whose it is."""
        return _bound_fields(type(self))

    @property
    def _writable_fields(self) -> list[Any]:
        """Those to read: what is given, what is required and what has a default. The library would skip the
        others one by one, and a query gives few of many names."""
        return [
            field
            for name, field in self.fields.items()
            if name in self.initial_data or field.required or field.default is not serializers.empty
        ]


@cache
def _bound_fields(kind: type[QuerySerializer]) -> BindingDict:
    query = kind()
    bound = BindingDict(query)
    for name, field in query.get_fields().items():
        bound[name] = field
    return bound


def whole_body_error(text: str, code: str = "invalid") -> Invalid:
    """An error of the body as a whole (the empty pointer)."""
    return Invalid({api_settings.NON_FIELD_ERRORS_KEY: [ErrorDetail(text, code=code)]})


# --- resources ----------------------------------------------------------------------------------------------


class RenderedSerializer(PlainSerializer):
    """Describes what is rendered elsewhere in one pass: there are many, and a serializer field for each value
    would take longer than all the rest."""

    def show_all(self, things: Sequence[Any]) -> list[Any]:
        return [*things]


class WordField(serializers.ChoiceField):
    """An enumeration that the model keeps as numbers, as words: their labels, joined by underscores."""

    def __init__(self, choices: Sequence[tuple[int, str]], **kwargs: Any) -> None:
        self.words = {value: str(label).replace(" ", "_") for value, label in choices}
        super().__init__(choices=[(word, word.replace("_", " ")) for word in self.words.values()], **kwargs)

    def to_representation(self, value: int) -> str:  # type: ignore[override]
        return self.words[value]


# Never shown as columns: who last wrote a row, its version, and its steps, which are shown as days
_KEPT_BACK = frozenset({"change_set", "version", "begin_step", "end_step", "step"})


_TYPES: Final[Mapping[type[ModelField[Any, Any]], type]] = {
    IntegerField: int,
    CharField: str,
    TextField: str,
    BooleanField: bool,
    FloatField: float,
    DateTimeField: datetime,
    DateField: date,
}
"""By a model's field, what the driver makes of its values."""

_MOST_JOINED: Final = 2
"""Related things in one statement. One of ten tables took 12 ms to plan, and half a millisecond to read."""


def _copied(field: Any) -> Any:
    """A field to bind to a serializer. A plain one holds no other that would be bound too, and a deep copy
    takes longer than to read or show a value."""
    nested = isinstance(field, serializers.BaseSerializer) or hasattr(field, "child")
    return copy.deepcopy(field) if nested else copy.copy(field)


class ResourceSerializer(PlainSerializer, serializers.ModelSerializer):
    """One kind of thing: all columns of its model but those in `Meta.exclude`, foreign keys as ``…_id``; or
    what `Meta.fields` names. The query's `fields` leaves some out, `expand` adds related things (depth 1)."""

    serializer_field_mapping = {
        **serializers.ModelSerializer.serializer_field_mapping,
        DateTimeField: fields.Moment,
        DateField: fields.DayOfRow,
    }

    # A related thing is always of the same customer, so it needs no scope of its own
    expansions: ClassVar[Mapping[str, type[serializers.Serializer]]] = {}

    @classmethod
    @cache
    def field_names(cls) -> tuple[str, ...]:
        """Every field there is, in order: those of the model, then those declared here."""
        named: Sequence[str] | None = getattr(cls.Meta, "fields", None)
        if named is None:
            left_out = _KEPT_BACK.union(getattr(cls.Meta, "exclude", ()))
            names = [field.attname for field in cls.model_fields() if field.name not in left_out]
            named = [*names, *cls._declared_fields]
        return tuple(dict.fromkeys(named))

    @classmethod
    def model_fields(cls) -> list[ModelField[Any, Any]]:
        model: type[Model] = cls.Meta.model
        return list(model._meta.concrete_fields)

    @classmethod
    @cache
    def shows_columns(cls) -> bool:
        """Whether it shows of a thing its columns, and what its view sets on it, and nothing else of its
        model."""
        model: type[Model] = cls.Meta.model
        columns = {field.attname for field in model._meta.concrete_fields}
        sources = {field.source_attrs[0] for field in cls().fields.values() if field.source_attrs}
        return not any(hasattr(model, name) for name in sources - columns)

    def column_type(self, source: str) -> type | None:
        return type_of_column(self.Meta.model, source)

    def get_field_names(self, declared_fields: Any, info: Any) -> list[str]:  # noqa: ARG002
        return list(self.field_names())

    @classmethod
    @cache
    def _every_field(cls) -> dict[str, Any]:
        """To make them takes longer than to show a thing."""
        return super(ResourceSerializer, cls()).get_fields()

    def get_fields(self) -> dict[str, Any]:
        parent = cast("Any", self.parent)  # None at the root; the stubs do not say so
        # The query is about the thing asked for, not about what is expanded in it
        is_root = parent is None or (isinstance(parent, serializers.ListSerializer) and parent.parent is None)
        chosen = self.context.get("fields") if is_root else None
        shown = {}
        for name, field in self._every_field().items():
            if chosen is None or name in chosen or name == "id":
                shown[name] = _copied(field)
        for name in self.context.get("expand", ()) if is_root else ():
            source = self.expansion_source(name)
            shown[name] = self.expansions[name](
                many=self.expands_to_many(name),
                read_only=True,
                allow_null=self.may_be_null(name),
                source=None if source == name else source,
            )
            if self.expands_to_many(name):
                shown["left_out"] = sizes.left_out_field()
        return shown

    def build_standard_field(self, field_name: str, model_field: Any) -> tuple[type[Any], dict[str, Any]]:
        if model_field.choices and isinstance(model_field.choices[0][0], int):
            return WordField, {"choices": model_field.choices, "help_text": model_field.help_text}
        built, kwargs = super().build_standard_field(field_name, model_field)
        if isinstance(model_field, ListField):
            kwargs["max_length"] = model_field.max_items
        return built, kwargs

    def build_property_field(self, field_name: str, model_class: Any) -> tuple[type[Any], dict[str, Any]]:
        if field_name.endswith("_id"):
            key = model_class._meta.get_field(field_name.removesuffix("_id"))
            return fields.Id, {"read_only": True, "allow_null": key.null, "help_text": key.help_text}
        return super().build_property_field(field_name, model_class)

    def get_validators(self) -> list[Any]:
        return []  # nothing is written through it

    # --- related things in full -----------------------------------------------------------------------------

    @classmethod
    def expansion_source(cls, name: str) -> str:
        """Where the thing is found on a row."""
        return f"first_{name}" if cls._lists_rows(name) else name

    @classmethod
    def expands_to_many(cls, name: str) -> bool:
        """Whether an expansion is a list: all but a foreign key is."""
        field = model_field(cls.Meta.model, name)
        return field is None or not (field.many_to_one or field.one_to_one)

    @classmethod
    def _lists_rows(cls, name: str) -> bool:
        """Whether an expansion is a list of what refers to the thing."""
        return model_field(cls.Meta.model, name) is not None and cls.expands_to_many(name)

    @classmethod
    def may_be_null(cls, name: str) -> bool:
        return bool(getattr(model_field(cls.Meta.model, name), "null", False)) and not cls.expands_to_many(
            name
        )

    @classmethod
    def with_expansions(cls, rows: QuerySet[Any], expand: Sequence[str]) -> QuerySet[Any]:
        """`rows` with what `expand` shows, in a fixed number of queries."""
        keys = [
            name
            for name in expand
            if model_field(cls.Meta.model, name) is not None and not cls.expands_to_many(name)
        ]
        joined, read_after = keys[:_MOST_JOINED], keys[_MOST_JOINED:]
        if joined:
            rows = rows.select_related(*joined)
        return rows.prefetch_related(*read_after) if read_after else rows

    @classmethod
    def attach_lists(cls, rows: Sequence[Any], expand: Sequence[str]) -> None:
        """Annotate rows with the lists of the record that `expand` names: the first ``MOST_LISTED`` items of
        each, and in `left_out` how many more there are. One query a list."""
        for name in expand:
            if not cls._lists_rows(name):
                continue
            field, to_attr = model_field(cls.Meta.model, name), cls.expansion_source(name)
            of_all = Window(Count("pk"), partition_by=field.field.attname)
            items = field.related_model._default_manager.annotate(of_all=of_all)
            items = items if items.ordered else items.order_by("pk")
            prefetch_related_objects(rows, Prefetch(name, items[: sizes.MOST_LISTED], to_attr=to_attr))
            for row in rows:
                count = next((item.of_all for item in getattr(row, to_attr)), 0)
                if count > sizes.MOST_LISTED:
                    row.left_out = [*getattr(row, "left_out", ()), sizes.left_out(name, count)]


@lru_cache(128)  # of up to 50 kB each
def kept_serializer(kind: type[ResourceSerializer], **context: Hashable) -> ResourceSerializer:
    """A serializer that shows the things of many requests: to make it takes longer than to show one."""
    return kind(context=context)


def longest(model: type[Model], name: str) -> int:
    """How many characters a text of a model may have."""
    field: Any = model._meta.get_field(name)
    return int(field.max_length)


def type_of_column(model: type[Model], attname: str) -> type | None:
    """What the driver makes of a column; ``object`` for what changes to be shown, None where there is none of
    that name."""
    field: Any = next((one for one in model._meta.concrete_fields if one.attname == attname), None)
    if field is None:
        return None
    kind = getattr(field, "target_field", field)
    return next((made for column, made in _TYPES.items() if isinstance(kind, column)), object)


def model_field(model: type[Model], name: str) -> Any:
    """The field of that name; None if the model has none."""
    try:
        return model._meta.get_field(name)
    except FieldDoesNotExist:
        return None
