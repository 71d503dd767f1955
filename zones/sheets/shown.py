"""What a sheet shows of a thing: a dataclass, filled from the rows that hold its fields."""

from __future__ import annotations

from dataclasses import fields
from typing import Any, TypeVar

T = TypeVar("T")


def shown(kind: type[T], /, *rows: Any, **worked_out: Any) -> T:
    """A dataclass of ``kind``: each field as worked out, else of the first row that has it.

    A row may be None, where nothing is recorded; a text that is not recorded is blank.
    """
    values: dict[str, Any] = {}
    for field in fields(kind):  # type: ignore[arg-type]
        if field.name in worked_out:
            values[field.name] = worked_out[field.name]
            continue
        held = next((row for row in rows if hasattr(row, field.name)), None)
        value = getattr(held, field.name, None)
        values[field.name] = "" if value is None and field.type == "str" else value
    return kind(**values)
