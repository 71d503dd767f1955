"""Worked calculations, as ``explain=true`` shows them."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from api.conventions import fields
from api.conventions.serializers import Body
from zones.loads.explanations.worked import Amount, Table, Worked

from .figures import rounded


class AmountShown(Body):
    name = fields.Text()
    unit = fields.Text(allow_blank=True)
    low = fields.Number(allow_null=True)
    likely = fields.Number(allow_null=True)
    high = fields.Number(allow_null=True)
    known = fields.Text(allow_blank=True, help_text="How it is known.")


class ColumnShown(Body):
    key = fields.Text()
    name = fields.Text()
    unit = fields.Text(allow_blank=True)


class TableShown(Body):
    title = fields.Text()
    columns = ColumnShown(many=True)
    rows = serializers.ListField(
        child=serializers.DictField(child=serializers.JSONField()), help_text="By the keys of the columns."
    )


class StepShown(Body):
    text = fields.Text()
    gives = AmountShown()


class CalculationShown(Body):
    """A figure worked out, for someone with a pencil: formula, what was taken for granted, what went in, what
    was added up or walked along, and the steps."""

    formula = fields.Text()
    assumptions = serializers.ListField(child=fields.Text())
    inputs = AmountShown(many=True)
    tables = TableShown(many=True)
    steps = StepShown(many=True)


def calculation(worked: Worked) -> dict[str, Any]:
    return {
        "formula": worked.formula,
        "assumptions": list(worked.assumptions),
        "inputs": [_amount(one) for one in worked.inputs],
        "tables": [_table(one) for one in worked.tables],
        "steps": [{"text": step.text, "gives": _amount(step.gives)} for step in worked.steps],
    }


def _amount(one: Amount) -> dict[str, Any]:
    return {
        "name": one.name,
        "unit": one.unit,
        "low": rounded(one.low),
        "likely": rounded(one.likely),
        "high": rounded(one.high),
        "known": one.known,
    }


def _table(one: Table) -> dict[str, Any]:
    return {
        "title": one.title,
        "columns": [{"key": c.key, "name": c.name, "unit": c.unit} for c in one.columns],
        "rows": [
            {key: rounded(cell) if isinstance(cell, float) else cell for key, cell in row.items()}
            for row in one.rows
        ],
    }
