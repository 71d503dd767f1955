"""Which case a finding belongs to: a function of the record, and of nothing else.

The key is site and causing change set; past at the baseline: site and "as found"; by time: subject, limit and
due day. Where a crossing is between two changes, it is the change of the likely estimate (L) whose key
counts: the ends of the range move as data gets better, and the ticket should not move with them. A record
correction that wrote what feeds the subject is itself the cause, so a cause revised by a correction moves its
findings to the correction's case. What has no attribution (a site that cannot be computed at all) has a
case of its own.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from .named_changes import Attribution


@dataclass(frozen=True)
class CaseKey:
    """key: unique, and shown to ticketing systems. change_set_id: the cause, where it is one."""

    key: str
    site_id: int
    change_set_id: int | None = None


def key_of(site_id: int, attribution: Attribution | None) -> CaseKey:
    """The case of what a change caused, or of what has no known cause."""
    if attribution is None:
        return unattributed_key(site_id)
    cause = attribution.named.causing
    if attribution.named.as_found:
        return CaseKey(f"site-{site_id}/as-found", site_id)
    if cause is None:
        return CaseKey(f"site-{site_id}/unnamed-{attribution.named.day.isoformat()}", site_id)
    return CaseKey(f"site-{site_id}/change-set-{cause.id}", site_id, cause.id)


def due_key(site_id: int, subject_kind: int, subject_id: int, code: str, day: dt.date) -> CaseKey:
    """The case of what time alone caused."""
    return CaseKey(f"subject-{subject_kind}-{subject_id}/{code}/due-{day.isoformat()}", site_id)


def unattributed_key(site_id: int) -> CaseKey:
    return CaseKey(f"site-{site_id}/unattributed", site_id)
