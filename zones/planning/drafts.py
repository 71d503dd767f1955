"""What a draft would do: the record as it is and as it would be, evaluated alike.

One mechanism for a what-if, a plan for a quote and a technician's redline. The draft is applied for real, in
a transaction that is rolled back, so that nothing is judged by other rules than what is accepted later.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.db import transaction

from sites.changes.errors import refuse
from sites.changes.operations import Accepted
from sites.changes.services import change_set_accept, change_set_trial, withdraw_recorded
from sites.models.access import User
from sites.models.changes import ChangeSet

from .effects import Effect, difference_between, effect_of, figures_for_effect, lock_site


@transaction.atomic
def evaluate_draft(change_set: ChangeSet) -> Effect:
    """Evaluate a draft; raises what accepting it would raise (``ChangeRefused``, ``ChangeConflict``).

    1. Lock the draft's row and then the site's, in the order in which an acceptance takes them. Taken here
       and not in the trial, they hold until both evaluations have read.
    2. Apply the draft, evaluate the site with it, and undo it to the last row.
    3. Evaluate the site without it: no other change was written in between.
    """
    draft = ChangeSet.objects.select_for_update(of=("self",)).get(pk=change_set.pk)
    if draft.state != ChangeSet.State.DRAFT:
        detail = f"This change set is {draft.get_state_display()}; only a draft is evaluated."
        raise refuse(detail, code="not_a_draft")
    if draft.site_id is None:
        raise refuse("This change set belongs to no site, so it loads nothing.", code="of_no_site")
    lock_site(draft.site_id)
    with change_set_trial(draft):
        after = figures_for_effect(draft.site_id, draft.happened_on)
    return difference_between(figures_for_effect(draft.site_id, draft.happened_on), after, done=False)


@transaction.atomic
def accept_draft(
    *,
    change_set: ChangeSet,
    user: User,
    happened_on: dt.date | None = None,
    planned: bool | None = None,
    job_reference: str | None = None,
    done_by: str | None = None,
    expected_version: int | None = None,
) -> tuple[Accepted[Any], Effect | None]:
    """Make a draft the record (``change_set_accept``), and say what that does to its site; None of a draft
    that is of no site, or of one that it adds.

    Locks the draft's row before the site's, in the order in which an acceptance takes them.
    """
    said: dict[str, Any] = {
        "user": user,
        "happened_on": happened_on,
        "planned": planned,
        "job_reference": job_reference,
        "done_by": done_by,
        "expected_version": expected_version,
    }
    draft = ChangeSet.objects.select_for_update(of=("self",)).get(pk=change_set.pk)
    if draft.state != ChangeSet.State.DRAFT or draft.site_id is None:
        return change_set_accept(change_set=change_set, **said), None
    with effect_of(draft.site_id, happened_on or draft.happened_on) as effect:
        accepted = change_set_accept(change_set=change_set, **said)
        return accepted, effect()


@transaction.atomic
def withdraw(
    *, change_set: ChangeSet, user: User, reason: str, expected_version: int | None = None
) -> tuple[ChangeSet, Effect | None]:
    """Withdraw what was recorded by mistake today (``withdraw_recorded``), and say what that does to its
    site."""
    row = ChangeSet.objects.select_for_update(of=("self",)).get(pk=change_set.pk)
    said: dict[str, Any] = {"user": user, "reason": reason, "expected_version": expected_version}
    if row.state != ChangeSet.State.ACCEPTED or row.site_id is None:
        return withdraw_recorded(change_set=row, **said), None
    with effect_of(row.site_id, row.happened_on) as effect:
        return withdraw_recorded(change_set=row, **said), effect()
