"""Rules of instruments."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from sites.changes.errors import Problem


def calibration_fits(values: Mapping[str, Any]) -> Iterator[Problem]:
    """A calibration counts until a day after it. ``values``: by the names of the fields."""
    calibrated, due = values.get("calibrated_on"), values.get("calibration_due_on")
    if calibrated is not None and due is not None and due < calibrated:
        detail = f"Calibrated on {calibrated}, and due on {due}, which is before: correct one of the two."
        yield Problem(detail, "invalid", "/calibration_due_on")
