"""What people do to findings and cases. Figures, verdicts and attributions come from the record alone."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from sites.changes.services import today_at
from sites.models import User
from sites.wording import shortened
from zones.models import Case, DueDate, Finding
from zones.recheck.recheck_queue import begins_at

from .events import notify_acknowledged
from .rechecked import DEFERRAL_ENDS

LONGEST_NAME = Finding._meta.get_field("state_by").max_length or 0


class StaleVersionError(Exception):
    """The finding or case changed after the caller read it."""


@transaction.atomic
def finding_acknowledge(
    *, finding: Finding, user: User, reason: str = "", expected_version: int | None = None
) -> Finding:
    """Acknowledge a finding. It stays acknowledged, even if the figure moves, until it clears."""
    locked = _locked(finding, expected_version)
    locked.state = Finding.State.ACKNOWLEDGED
    locked.deferred_until = None
    return _written(locked, user, reason)


@transaction.atomic
def finding_reopen(
    *, finding: Finding, user: User, reason: str = "", expected_version: int | None = None
) -> Finding:
    """Take an acknowledgement or a deferral back: the finding is open again."""
    locked = _locked(finding, expected_version)
    if locked.state == Finding.State.OPEN:
        raise ValidationError(
            "This finding is open: it has no acknowledgement or deferral to take back.", code="open"
        )
    locked.state = Finding.State.OPEN
    locked.deferred_until = None
    return _written(locked, user, reason)


@transaction.atomic
def finding_defer(
    *, finding: Finding, user: User, until: dt.date, reason: str, expected_version: int | None = None
) -> Finding:
    """Defer a finding until a day in the site's time zone, on which it opens again by itself.

    1. Lock the finding, so that a recheck waits or begins again.
    2. Write the day's due date: at that midnight the site is rechecked, and the deferral found to have ended.
    """
    if not reason.strip():
        raise ValidationError({"reason": "A deferral needs a reason: say why."}, code="required")
    if until <= today_at(finding.site_id):
        raise ValidationError(
            {"until": f"{until} is not after today at this site. Give a later day."}, code="past"
        )
    locked = _locked(finding, expected_version)
    locked.state = Finding.State.DEFERRED
    locked.deferred_until = until
    at = begins_at(until, ZoneInfo(locked.site.time_zone))
    DueDate.objects.get_or_create(site_id=locked.site_id, at=at, reason=DEFERRAL_ENDS)
    return _written(locked, user, reason)


@transaction.atomic
def finding_set_outcome(
    *,
    finding: Finding,
    user: User,
    outcome: Finding.Outcome,
    reason: str = "",
    expected_version: int | None = None,
) -> Finding:
    """Set the outcome of a finding, open or cleared. The finding itself clears by the record."""
    if outcome not in Finding.Outcome.values:
        known = ", ".join(value for value in Finding.Outcome.values if value)
        raise ValidationError(
            {"outcome": f"Unknown outcome {outcome!r}; give one of {known}."}, code="unknown"
        )
    locked = _locked(finding, expected_version, cleared_too=True)
    locked.outcome = outcome
    return _written(locked, user, reason)


@transaction.atomic
def case_set_ticket_reference(
    *, case: Case, user: User, ticket_reference: str, expected_version: int | None = None
) -> Case:
    """Store the ticket reference of a case; blank removes it."""
    locked = Case.objects.select_for_update(of=("self",)).get(pk=case.pk)
    if expected_version is not None and locked.version != expected_version:
        raise StaleVersionError(f"case {locked.pk} is version {locked.version}, not {expected_version}")
    reference = ticket_reference.strip()
    longest = Case._meta.get_field("ticket_reference").max_length or 0
    if len(reference) > longest:
        raise ValidationError(
            {"ticket_reference": f"At most {longest} characters; this one has {len(reference)}."},
            code="max_length",
        )
    locked.ticket_reference = reference
    if reference and locked.withheld:  # somebody works on it: it opens
        locked.withheld, locked.opened_at = False, timezone.now()
        locked.first_opened_at = locked.first_opened_at or locked.opened_at
    locked.ticket_by = _name(user)
    locked.changed_at = timezone.now()
    locked.version += 1
    locked.save()
    return locked


def _name(user: User) -> str:
    """The name as a person reads it, shortened: first and last name together may be longer than the
    column."""
    return shortened(user.get_full_name() or user.get_username(), LONGEST_NAME)


def _locked(finding: Finding, expected_version: int | None, *, cleared_too: bool = False) -> Finding:
    locked = Finding.objects.select_for_update(of=("self",)).select_related("site", "case").get(pk=finding.pk)
    if expected_version is not None and locked.version != expected_version:
        raise StaleVersionError(f"finding {locked.pk} is version {locked.version}, not {expected_version}")
    if locked.state == Finding.State.CLEARED and not cleared_too:
        raise ValidationError(
            f"This finding cleared on {locked.cleared_at:%Y-%m-%d}. Only its outcome can still be set.",
            code="cleared",
        )
    return locked


def _written(finding: Finding, user: User, reason: str) -> Finding:
    finding.state_by = _name(user)
    finding.state_reason = reason.strip()
    finding.version += 1
    finding.save(update_fields=["state", "deferred_until", "outcome", "state_by", "state_reason", "version"])
    now = timezone.now()
    Case.objects.filter(pk=finding.case_id).update(changed_at=now)
    notify_acknowledged(finding.case, finding, now=now)
    return finding
