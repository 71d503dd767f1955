"""What a draft would do: the record as it is and as it would be, evaluated alike, and the differences.

One mechanism for a what-if, a plan for a quote and a technician's redline. The draft is applied for real, in
a transaction that is rolled back, so that nothing is judged by other rules than what is accepted later.
"""

from __future__ import annotations

from dataclasses import dataclass

from django.db import transaction

from sites.changes.models import ChangeSet
from sites.changes.services import change_set_trial, today_at
from zones.electrical.verdicts import Verdict

from .loads import Load, SiteLoads, Subject, site_loads


@dataclass(frozen=True)
class Difference:
    """One limit on one subject, before and after; None where the subject is not there."""

    code: str
    subject: Subject
    before: Load | None
    after: Load | None

    @property
    def crosses(self) -> bool:
        """It becomes worse than near: past, or no longer possible to tell."""
        after = self.after.verdict if self.after else Verdict.WITHIN
        before = self.before.verdict if self.before else Verdict.WITHIN
        return after >= Verdict.CANNOT_TELL and after > before


@dataclass(frozen=True)
class DraftEvaluation:
    """before, after: the whole site, as of the later of the draft's day and today; differences: where they
    differ."""

    before: SiteLoads
    after: SiteLoads
    differences: tuple[Difference, ...]


def evaluate_draft(change_set: ChangeSet) -> DraftEvaluation:
    """Evaluate a draft; raises what accepting it would raise (``ChangeRefused``, ``ChangeConflict``).

    1. Within one transaction apply the draft, under the site's lock, and evaluate the site with it.
    2. Roll that back, and evaluate the site without it, before the lock is let go: both see the same record.
    """
    if change_set.site_id is None:
        raise ValueError("a change set of no site loads nothing")
    day = max(change_set.happened_on or today_at(change_set.site_id), today_at(change_set.site_id))
    with transaction.atomic():
        with change_set_trial(change_set) as work:
            after = site_loads(work.change_set.site_id or change_set.site_id, day)
        before = site_loads(change_set.site_id, day)
    return DraftEvaluation(before, after, differences(before, after))


def differences(before: SiteLoads, after: SiteLoads) -> tuple[Difference, ...]:
    """Limits whose figures, limit or verdict differ, those that cross a limit first."""
    old = {(load.code, load.subject): load for load in before.loads}
    new = {(load.code, load.subject): load for load in after.loads}
    found = [
        Difference(code, subject, old.get((code, subject)), new.get((code, subject)))
        for code, subject in dict.fromkeys([*new, *old])
        if old.get((code, subject)) != new.get((code, subject))
    ]
    return tuple(sorted(found, key=lambda one: (not one.crosses, -(one.after.verdict if one.after else 0))))
