"""Days as every page writes them: ``14 Mar 2025``. The API's sentences have them as ``2025-03-14``."""

from __future__ import annotations

import re
from datetime import date
from typing import Any, Final

from api.conventions.bodies import Rendered

_MONTHS: Final = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]
_DAY: Final = re.compile(r"\b(\d{4})-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])\b")
_SENTENCES: Final = frozenset(
    {
        "calibration",
        "closing_text",
        "detail",
        "response",
        "sentence",
        "sentences",
        "summary",
        "text",
        "unknown",
    }
)
"""Fields of answers that hold sentences."""
_HOLDS: Final = (dict, list, tuple)  # not by abstract types: to ask for these takes ten times as long


def written(day: date) -> str:
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"


def with_days_written(answer: Any) -> Any:
    """An answer of the API, its sentences with their days as pages write them. What people typed is as they
    typed it, and a field that holds a day is as it was."""
    if isinstance(answer, (dict, Rendered)):
        return {
            key: _in_text(value)
            if key in _SENTENCES
            else with_days_written(value)
            if isinstance(value, _HOLDS)
            else value
            for key, value in answer.items()
        }
    if isinstance(answer, (list, tuple)):
        return [with_days_written(one) if isinstance(one, _HOLDS) else one for one in answer]
    return answer


def in_sentence(said: str) -> str:
    """A sentence of the API, with its days as pages write them."""
    return _DAY.sub(_written, said)


def _in_text(value: Any) -> Any:
    if isinstance(value, str):
        return in_sentence(value)
    if isinstance(value, (list, tuple)):
        return [_in_text(one) for one in value]
    return with_days_written(value)


def _written(found: re.Match[str]) -> str:
    year, month, day = map(int, found.groups())
    return f"{day} {_MONTHS[month - 1]} {year}"
