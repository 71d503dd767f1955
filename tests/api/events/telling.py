"""Events without a recheck: rows as the outbox has them."""

from __future__ import annotations

import datetime as dt
from typing import Any

from sites.models import Event, Site
from sites.outbox.services import events_write

HAPPENED_AT = dt.datetime(2025, 3, 14, 9, 30, tzinfo=dt.UTC)


def happen(site: Site, *subjects: str, **values: Any) -> None:
    """An event of each of these subjects, written but not published."""
    given = {"kind": "case.opened", "case_key": "", "body": {}, "happened_at": HAPPENED_AT} | values
    events_write(
        Event(site=site, customer_id=site.customer_id, subject=subject, **given) for subject in subjects
    )
