"""Answers that are not resources. The dataclass of what was found describes them, so that nothing is
described twice."""

from __future__ import annotations

import functools
import inspect
import math
from typing import Any, Final

from rest_framework import serializers
from rest_framework_dataclasses.serializers import DataclassSerializer

from . import fields

_NINE_DIGITS: Final = 1e9


def rounded(value: float | None) -> float | None:
    """Nine digits: enough, and without the last bits of a sum."""
    if value is None or math.isnan(value):
        return None
    if value.is_integer() and abs(value) < _NINE_DIGITS:  # as many are: it has no more
        return float(value)
    return float(f"{value:.9g}")


@functools.cache
def _one_of(serializer: type[serializers.Serializer]) -> serializers.Serializer:
    return serializer()


def shown_by(serializer: type[serializers.Serializer], answer: Any) -> dict[str, Any]:
    """The answer as a serializer without a context shows it. One instance serves all answers: its fields,
    which follow from dataclasses, take longer to be made than to be filled."""
    shown: dict[str, Any] = _one_of(serializer).to_representation(answer)
    return shown


class RoundedField(fields.Number):
    def to_representation(self, value: float) -> float | None:
        return rounded(value)


class AnswerSerializer(DataclassSerializer):
    """A serializer of every field of a dataclass (``AnswerSerializer(dataclass=Reach)``), and of those within
    it."""

    serializer_field_mapping = {
        **DataclassSerializer.serializer_field_mapping,
        str: fields.Text,
        float: RoundedField,
    }

    @property
    def serializer_dataclass_field(self) -> type[AnswerSerializer]:
        return AnswerSerializer

    def build_typed_field(self, field_name: str, type_info: Any, extra_kwargs: Any) -> Any:
        field_class, kwargs = super().build_typed_field(field_name, type_info, extra_kwargs)
        kwargs.pop("required", None)  # an answer always has it
        if issubclass(field_class, serializers.CharField):
            kwargs.setdefault("allow_blank", True)
        return field_class, kwargs

    def build_enum_field(self, field_name: str, type_info: Any) -> Any:  # noqa: ARG002 - the library's signature
        return fields.Word, {"enumeration": type_info.base_type}

    def description(self) -> str:
        """The dataclass's docstring; blank where it has none."""
        kind = self.dataclass_definition.dataclass_type
        said = inspect.getdoc(kind) or ""
        return "" if said.startswith(f"{kind.__name__}(") else said  # else it is its signature
