"""Sites to disturb, and what is left of them: the same records leave the same, disturbed or not."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from typing import Any

from django.utils import timezone

from sites.models import Event, Mark
from tests.zones.findings.conftest import Quay
from zones.models import Case, DueDate, Figures, Finding, SiteCheck

PAST = 12
"""With so many more speakers a quay's supply is past its limit."""
DAY = dt.timedelta(days=1)
BEFORE_IT = 3 * DAY
"""So long ago that yesterday was in the future, even if midnight passes during the test."""


def within_its_limits() -> Quay:
    """A site under contract, so that every finding makes an event."""
    quay = Quay()
    quay.cover()
    return quay


def overloaded() -> Quay:
    """A later addition pushed its supply past the limit."""
    quay = within_its_limits()
    quay.add(PAST)
    return quay


def overloaded_from_yesterday() -> Quay:
    """The same, but the addition is of yesterday: ``BEFORE_IT`` it is a due date."""
    quay = within_its_limits()
    quay.add(PAST, timezone.now().date() - DAY)
    return quay


def left_of(site_id: int) -> dict[str, Any]:
    """All that rechecks left of a site, but for ids and times."""
    values = ("codes", "low", "likely", "high", "limit_value", "verdict", "supported")
    figures = Figures.objects.filter(site_id=site_id).order_by("subject_kind", "subject_id")
    cases = Case.objects.filter(site_id=site_id)
    checks = SiteCheck.objects.filter(pk=site_id)
    return {
        "figures": [_rounded(row) for row in figures.values_list("subject_kind", "solver_version", *values)],
        "findings": sorted(
            Finding.objects.filter(site_id=site_id).values_list(
                "code", "subject_kind", "verdict", "state", "reasons", "version"
            )
        ),
        "cases": sorted((case.cleared_at is None, case.version) for case in cases),
        "events": Counter(Event.objects.filter(site_id=site_id).values_list("kind", flat=True)),
        "due": DueDate.objects.filter(site_id=site_id).count(),
        "marks": sorted(Mark.objects.filter(site_id=site_id).values_list("lane", flat=True)),
        "checks": list(checks.values_list("failures", "last_error", "solver_version")),
    }


def _rounded(value: Any) -> Any:
    """How a batch is put together moves the last bits of a sum."""
    if isinstance(value, list | tuple):
        return [_rounded(each) for each in value]
    return float(f"{value:.10g}") if isinstance(value, float) else value
