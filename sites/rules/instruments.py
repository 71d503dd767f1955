"""Rules of instruments."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

from sites.changes.errors import Problem
from sites.changes.making import today_in

_FIRST_ZONE: Final = "Etc/GMT-14"
"""Where a day begins first: an instrument belongs to no site, and it may be tomorrow there already."""


def calibration_fits(values: Mapping[str, Any]) -> Iterator[Problem]:
    """A calibration has been made, and counts until a day after it. ``values``: by the names of the
    fields."""
    calibrated, due = values.get("calibrated_on"), values.get("calibration_due_on")
    if calibrated is not None and calibrated > today_in(_FIRST_ZONE):
        detail = f"Calibrated on {calibrated}, which is to come: give the day of its last calibration."
        yield Problem(detail, "invalid", "/calibrated_on")
    if calibrated is not None and due is not None and due < calibrated:
        detail = f"Calibrated on {calibrated}, and due on {due}, which is before: correct one of the two."
        yield Problem(detail, "invalid", "/calibration_due_on")
