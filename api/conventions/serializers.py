"""Serializers that take nothing silently: a name they do not know, or may not write, is an error that names
it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from django.db import models
from rest_framework import serializers
from rest_framework.exceptions import ErrorDetail
from rest_framework.exceptions import ValidationError as Invalid
from rest_framework.fields import Field
from rest_framework.settings import api_settings
from rest_framework.validators import UniqueValidator

from . import fields
from .suggestions import did_you_mean, listed
from .wording import in_our_words


class _Strict(serializers.Serializer):
    default_error_messages = {"invalid": "Expected a JSON object."}

    def get_fields(self) -> dict[str, Any]:
        found: dict[str, Any] = super().get_fields()
        for name, field in found.items():
            if not field.read_only:
                in_our_words(name, field)
        return found

    def to_internal_value(self, data: Any) -> Any:
        """The values; every unknown name is reported beside whatever else is wrong, never instead of it."""
        if not isinstance(data, Mapping):
            return super().to_internal_value(data)
        unknown = self._unknown(data)
        try:
            values = super().to_internal_value(data)
        except Invalid as error:
            if not unknown:
                raise
            raise Invalid({**unknown, **error.detail}) from error  # type: ignore[dict-item]
        if unknown:
            raise Invalid(unknown)
        return values

    def _unknown(self, data: Mapping[str, Any]) -> dict[str, list[ErrorDetail]]:
        writable = {name for name, field in self.fields.items() if not field.read_only}
        found: dict[str, list[ErrorDetail]] = {}
        for name in data:
            if name in writable:
                continue
            if name in self.fields:
                text = f"{name} is not written here: it follows from the rest. Leave it out."
                found[name] = [ErrorDetail(text, code="read_only")]
            else:
                text = (
                    f"There is no {name!r} here.{did_you_mean(name, writable)} "
                    f"What can stand here: {listed(writable)}."
                )
                found[name] = [ErrorDetail(text, code="unknown")]
        return found


class Body(_Strict):
    """What a request's body holds."""


class Query(fields.Queried, _Strict):
    """What a request's query holds: each name at most once."""


class ModelBody(_Strict, serializers.ModelSerializer):
    """A body that has fields of a model; without the library's look-ups for uniqueness, which race and see
    beyond the scope: the database's named constraints decide (`database_errors`)."""

    serializer_field_mapping: ClassVar[dict[type[models.Field], type[Field]]] = {
        **serializers.ModelSerializer.serializer_field_mapping,
        models.FloatField: fields.Number,
        models.IntegerField: fields.Whole,
        models.BigIntegerField: fields.Whole,
        models.PositiveIntegerField: fields.Whole,
        models.PositiveSmallIntegerField: fields.Whole,
        models.SmallIntegerField: fields.Whole,
        models.AutoField: fields.Whole,
        models.BigAutoField: fields.Whole,
        models.BooleanField: fields.Flag,
        models.CharField: fields.Text,
        models.TextField: fields.Text,
        models.DateField: fields.Day,
        models.DateTimeField: fields.Instant,
    }
    serializer_choice_field = fields.Choice

    def build_standard_field(self, field_name: str, model_field: Any) -> tuple[type[Any], dict[str, Any]]:
        field_class, kwargs = super().build_standard_field(field_name, model_field)
        kwargs["validators"] = [
            validator
            for validator in kwargs.get("validators", [])
            if not isinstance(validator, UniqueValidator)
        ]
        if not kwargs["validators"]:
            del kwargs["validators"]
        return field_class, kwargs

    def get_validators(self) -> list[Any]:
        return []


def whole_body_error(text: str, code: str = "invalid") -> Invalid:
    """An error of the body as a whole (the empty pointer)."""
    return Invalid({api_settings.NON_FIELD_ERRORS_KEY: [ErrorDetail(text, code=code)]})
