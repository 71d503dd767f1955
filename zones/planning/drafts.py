"""What a draft would do: the record as it is and as it would be, evaluated alike, and the differences.

One mechanism for a what-if, a plan for a quote and a technician's redline. The draft is applied for real, in
a transaction that is rolled back, so that nothing is judged by other rules than what is accepted later.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass

from django.db import transaction

from sites.changes.errors import refuse
from sites.changes.services import change_set_trial, today_at
from sites.models import Site
from sites.models.changes import ChangeSet
from sites.wording import capital, counted, lower_first
from zones.electrical.subjects import Subject
from zones.electrical.verdicts import Verdict
from zones.loads.site_loads import SiteLoads, site_loads
from zones.loads.wording import NotComputed, RenderedLoad, difference_in_words, not_computed, render_loads

# What differs by less was computed alike: how a batch is put together moves the last bits of a sum
_SAME = 1e-9
_FIGURES = ("low", "likely", "high", "limit")


@dataclass(frozen=True)
class Difference:
    """One limit on one subject, before and after, in words; None where the subject is not there."""

    code: str
    subject: Subject
    before: RenderedLoad | None
    after: RenderedLoad | None

    @property
    def verdict_before(self) -> Verdict:
        return self.before.load.verdict if self.before else Verdict.WITHIN

    @property
    def verdict_after(self) -> Verdict:
        return self.after.load.verdict if self.after else Verdict.WITHIN

    @property
    def crosses(self) -> bool:
        """It would become worse than near: past, or cannot tell."""
        return self.verdict_after >= Verdict.CANNOT_TELL and self.verdict_after > self.verdict_before

    @property
    def clears(self) -> bool:
        """It is past its limit, or cannot tell, and would be neither."""
        return self.verdict_before >= Verdict.CANNOT_TELL > self.verdict_after

    @property
    def sentence(self) -> str:
        return difference_in_words(self.before, self.after)


@dataclass(frozen=True, eq=False)
class DraftEvaluation:
    """What a draft would do to its site, as of the later of its day and today. differences: what crosses a
    limit first, then what clears. not_computed: what could not be computed any more; computed: what could
    be again."""

    as_of: dt.date
    differences: tuple[Difference, ...]
    not_computed: tuple[NotComputed, ...]
    computed: tuple[NotComputed, ...]

    @property
    def summary(self) -> str:
        """What it comes to, in sentences."""
        crossing = [one for one in self.differences if one.crosses]
        clearing = [one for one in self.differences if one.clears]
        said = [
            f"{capital(one.name)} could no longer be computed: {one.reason}." for one in self.not_computed
        ]
        said += [one.sentence for one in crossing]
        if clearing:
            said.append(f"In order again: {', '.join(_what(one) for one in clearing)}.")
        if not said and self.differences:
            said = [f"It would change {counted(len(self.differences), 'figure')}; none crosses its limit."]
        return " ".join(said or ["It would change no figure."])


def _what(one: Difference) -> str:
    of = one.after or one.before
    return f"{lower_first(of.limit.title)} of {of.subject}" if of is not None else one.code


@transaction.atomic
def evaluate_draft(change_set: ChangeSet) -> DraftEvaluation:
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
        raise refuse("This change set is of no site, so it loads nothing.", code="of_no_site")
    list(Site.objects.select_for_update(no_key=True).filter(pk=draft.site_id).values_list("pk"))
    today = today_at(draft.site_id)
    day = max(draft.happened_on or today, today)
    with change_set_trial(draft):
        # In words too: what the draft adds has a name only as long as it is there
        after, problems_after = _in_words(site_loads(draft.site_id, day))
    before, problems_before = _in_words(site_loads(draft.site_id, day))
    return DraftEvaluation(
        as_of=day,
        differences=_differences(before, after),
        not_computed=_without(problems_after, problems_before),
        computed=_without(problems_before, problems_after),
    )


_Rendered = dict[tuple[str, Subject], RenderedLoad]


def _in_words(loads: SiteLoads) -> tuple[_Rendered, tuple[NotComputed, ...]]:
    figures = {(one.load.code, one.load.subject): one for one in render_loads(loads.loads)}
    return figures, not_computed(loads.problems)


def _differences(before: _Rendered, after: _Rendered) -> tuple[Difference, ...]:
    found = [
        Difference(code, subject, before.get((code, subject)), after.get((code, subject)))
        for code, subject in dict.fromkeys([*after, *before])
    ]
    differing = [one for one in found if not _same(one.before, one.after)]
    return tuple(sorted(differing, key=lambda one: (not one.crosses, not one.clears, -one.verdict_after)))


def _without(some: tuple[NotComputed, ...], others: tuple[NotComputed, ...]) -> tuple[NotComputed, ...]:
    known = {(one.subject, one.reason) for one in others}
    return tuple(one for one in some if (one.subject, one.reason) not in known)


def _same(one: RenderedLoad | None, other: RenderedLoad | None) -> bool:
    if one is None or other is None:
        return one is other
    old, new = one.load, other.load
    if (old.verdict, old.detail) != (new.verdict, new.detail):
        return False
    return all(_close(getattr(old, name), getattr(new, name)) for name in _FIGURES)


def _close(one: float | None, other: float | None) -> bool:
    if one is None or other is None:
        return one is other
    return math.isclose(one, other, rel_tol=_SAME, abs_tol=1e-12)
