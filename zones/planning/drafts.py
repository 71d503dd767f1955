"""What a draft would do: the record as it is and as it would be, evaluated alike, and the differences.

One mechanism for a what-if, a plan for a quote and a technician's redline. The draft is applied for real, in
a transaction that is rolled back, so that nothing is judged by other rules than what is accepted later.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from django.db import transaction

from sites.changes.errors import refuse
from sites.changes.models import ChangeSet
from sites.changes.services import change_set_trial, today_at
from sites.models import Site
from zones.electrical.verdicts import Verdict

from .loads import Load, SiteLoads, Subject, site_loads

# What differs by less was computed alike: how a batch is put together moves the last bits of a sum
_SAME = 1e-9
_FIGURES = ("low", "likely", "high", "limit")


@dataclass(frozen=True)
class Difference:
    """One limit on one subject, before and after; None where the subject is not there."""

    code: str
    subject: Subject
    before: Load | None
    after: Load | None

    @property
    def verdict_before(self) -> Verdict:
        return self.before.verdict if self.before else Verdict.WITHIN

    @property
    def verdict_after(self) -> Verdict:
        return self.after.verdict if self.after else Verdict.WITHIN

    @property
    def crosses(self) -> bool:
        """It becomes worse than near: past, or no longer possible to tell."""
        return self.verdict_after >= Verdict.CANNOT_TELL and self.verdict_after > self.verdict_before

    @property
    def clears(self) -> bool:
        """It was past its limit, or not to be told, and is neither any more."""
        return self.verdict_before >= Verdict.CANNOT_TELL > self.verdict_after


@dataclass(frozen=True, eq=False)
class DraftEvaluation:
    """before, after: the whole site, as of the later of the draft's day and today; differences: where they
    differ."""

    before: SiteLoads
    after: SiteLoads
    differences: tuple[Difference, ...]


@transaction.atomic
def evaluate_draft(change_set: ChangeSet) -> DraftEvaluation:
    """Evaluate a draft; raises what accepting it would raise (``ChangeRefused``, ``ChangeConflict``).

    1. Lock the draft's row and then the site's, in the order in which an acceptance takes them. Taken here
       and not in the trial, they hold until both evaluations have read.
    2. Apply the draft, evaluate the site with it, and undo it to the last row.
    3. Evaluate the site without it: nobody else wrote in between.
    """
    draft = ChangeSet.objects.select_for_update(of=("self",)).get(pk=change_set.pk)
    if draft.state != ChangeSet.State.DRAFT:
        detail = f"This change set is {draft.get_state_display()}; only a draft is evaluated."
        raise refuse(detail, code="not_a_draft")
    if draft.site_id is None:
        raise refuse("This change set is of no site, so it loads nothing.", code="of_no_site")
    list(Site.objects.select_for_update(no_key=True).filter(pk=draft.site_id).values_list("pk"))
    today = today_at(draft.site_id)
    day = max(draft.happened_on or today, today)
    with change_set_trial(draft):
        after = site_loads(draft.site_id, day)
    before = site_loads(draft.site_id, day)
    return DraftEvaluation(before, after, differences(before, after))


def differences(before: SiteLoads, after: SiteLoads) -> tuple[Difference, ...]:
    """Limits whose figures, limit or verdict differ: first those that cross it, then those that clear."""
    old = {(load.code, load.subject): load for load in before.loads}
    new = {(load.code, load.subject): load for load in after.loads}
    found = [
        Difference(code, subject, old.get((code, subject)), new.get((code, subject)))
        for code, subject in dict.fromkeys([*new, *old])
        if not _same(old.get((code, subject)), new.get((code, subject)))
    ]
    return tuple(sorted(found, key=lambda one: (not one.crosses, not one.clears, -one.verdict_after)))


def _same(one: Load | None, other: Load | None) -> bool:
    if one is None or other is None:
        return one is other
    if (one.verdict, one.detail) != (other.verdict, other.detail):
        return False
    return all(_close(getattr(one, name), getattr(other, name)) for name in _FIGURES)


def _close(one: float | None, other: float | None) -> bool:
    if one is None or other is None:
        return one is other
    return math.isclose(one, other, rel_tol=_SAME, abs_tol=1e-12)
