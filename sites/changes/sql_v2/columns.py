"""Columns, checks and indexes that come to tables that are in use."""

from __future__ import annotations

from typing import Any

from django.contrib.postgres.operations import AddIndexConcurrently
from django.db.migrations import RunSQL
from django.db.migrations.operations.base import Operation
from django.db.models import CheckConstraint, Field


class AddColumns(Operation):
    """Columns and checks of one table, in one statement. Readers and writers wait for that alone: with one
    operation a column, the table would stay locked while Django works out the models in between. So it stands
    behind what else a migration does with models.

    The rows that are there fulfil the checks by the default or by NULL, so none of them is read through here;
    a later migration validates them (``validate``). Defaults stay in the database, since the release before
    writes rows without the columns."""

    def __init__(self, model_name: str, *checks: CheckConstraint, **columns: Field) -> None:
        self.model_name, self.checks, self.columns = model_name, checks, columns

    def deconstruct(self) -> Any:
        return type(self).__name__, [self.model_name, *self.checks], self.columns

    def describe(self) -> str:
        return (
            f"Add to {self.model_name}: {', '.join([*self.columns, *(check.name for check in self.checks)])}"
        )

    def state_forwards(self, app_label: str, state: Any) -> None:
        # Django's own methods would work out the models once a column
        key = app_label, self.model_name.lower()
        model = state.models[key]
        model.fields.update(self.columns)
        model.options["constraints"] = [*model.options.get("constraints", ()), *self.checks]
        state.reload_model(*key, delay=True)

    def database_forwards(self, app_label: str, schema_editor: Any, from_state: Any, to_state: Any) -> None:  # noqa: ARG002 - Django's signature
        model = to_state.apps.get_model(app_label, self.model_name)
        table, parts, values = model._meta.db_table, [], []
        for name in self.columns:
            field = model._meta.get_field(name)
            definition, its_values = schema_editor.column_sql(model, field, include_default=True)
            parts.append(f'ADD COLUMN "{field.column}" {definition}')
            values += its_values
            check = field.db_parameters(schema_editor.connection)["check"]
            if check:
                its_name = f"{table}_{field.column}_check"
                parts.append(f"ADD CONSTRAINT {its_name} CHECK ({check.replace('%', '%%')}) NOT VALID")
        for stated in self.checks:
            sql = str(stated.constraint_sql(model, schema_editor))
            parts.append(f"ADD {sql.replace('%', '%%')} NOT VALID")
        schema_editor.execute(f'ALTER TABLE "{table}" {", ".join(parts)}', values)

    def database_backwards(self, app_label: str, schema_editor: Any, from_state: Any, to_state: Any) -> None:  # noqa: ARG002 - Django's signature
        model = from_state.apps.get_model(app_label, self.model_name)
        columns = [model._meta.get_field(name).column for name in self.columns]
        parts = [
            *(f'DROP CONSTRAINT "{check.name}"' for check in self.checks),
            *(f'DROP COLUMN "{column}"' for column in columns),
        ]
        schema_editor.execute(f'ALTER TABLE "{model._meta.db_table}" {", ".join(parts)}', None)


class BuildIndex(AddIndexConcurrently):
    """An index beside the work. Django would work out the table's models and all that refer to them again for
    each; no operation reads of a model which indexes it has."""

    def state_forwards(self, app_label: str, state: Any) -> None:
        options = state.models[app_label, self.model_name_lower].options
        options["indexes"] = [*options.get("indexes", ()), self.index]


def validate(table: str, *constraints: str) -> RunSQL:
    """Hold all rows to ``constraints``, which are named without their table. It stops no reader or writer."""
    named = ", ".join(f"VALIDATE CONSTRAINT {table}_{name}" for name in constraints)
    return RunSQL(f'ALTER TABLE "{table}" {named}', RunSQL.noop)
