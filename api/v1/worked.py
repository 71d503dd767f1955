"""Worked calculations, as ``explain=true`` shows them."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from api.conventions.answers import AnswerSerializer, rounded
from zones.loads.explanations.worked import Table, Worked


class CellsField(serializers.ListField):
    """The rows of a table, each by the keys of its columns."""

    child = serializers.DictField(child=serializers.JSONField())

    def to_representation(self, data: Any) -> list[dict[str, Any]]:
        return [
            {key: rounded(cell) if isinstance(cell, float) else cell for key, cell in row.items()}
            for row in data
        ]


class TableSerializer(AnswerSerializer):
    rows = CellsField(help_text="By the keys of the columns.")

    class Meta:
        dataclass = Table


class CalculationSerializer(AnswerSerializer):
    """A figure worked out, for someone with a pencil: formula, what was taken for granted, what went in, what
    was added up or walked along, and the steps."""

    tables = TableSerializer(many=True)

    class Meta:
        dataclass = Worked
