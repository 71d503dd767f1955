"""What a change does to the figures of its site: evaluated alike without it and with it, and the differences.

One comparison for a draft that is evaluated, for one that is accepted, and for a single write.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from django.db import connection

from sites.changes.services import today_at
from sites.models import Site
from sites.wording import capital, counted, lower_first
from zones.electrical.subjects import Subject
from zones.electrical.verdicts import Verdict
from zones.loads.site_loads import SiteLoads, site_loads
from zones.loads.wording import NotComputed, RenderedLoad, difference_in_words, not_computed, render_loads

# What differs by less was computed alike: how a batch is put together moves the last bits of a sum
_SAME = 1e-9


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
        """Its verdict becomes past, probably past or cannot tell, and is a worse one than before."""
        return self.verdict_after >= Verdict.CANNOT_TELL and self.verdict_after > self.verdict_before

    @property
    def clears(self) -> bool:
        """Whether it is past its limit, or cannot tell, and becomes neither."""
        return self.verdict_before >= Verdict.CANNOT_TELL > self.verdict_after

    @property
    def worsens(self) -> bool:
        """Its verdict is a worse one than before; or it is the same, and less of the limit is left."""
        if self.verdict_after is not self.verdict_before or self.before is None or self.after is None:
            return self.verdict_after > self.verdict_before
        left, left_before = (one.load.tightness[0] for one in (self.after, self.before))
        return left_before < math.inf and left < left_before - _SAME

    @property
    def sentence(self) -> str:
        return difference_in_words(self.before, self.after)


@dataclass(frozen=True, eq=False)
class Effect:
    """What a change does to its site, as of the later of its day and today. differences: what crosses a limit
    first, then what clears, then what gets worse. not_computed: what cannot be computed any more; computed:
    what can be again. done: the change is recorded, not only considered."""

    as_of: dt.date
    differences: tuple[Difference, ...]
    not_computed: tuple[NotComputed, ...]
    computed: tuple[NotComputed, ...]
    done: bool

    @property
    def crosses(self) -> bool:
        return bool(self.not_computed) or any(one.crosses for one in self.differences)

    @property
    def summary(self) -> str:
        """What it comes to, in sentences."""
        crossing = [one for one in self.differences if one.crosses]
        clearing = [one for one in self.differences if one.clears]
        can = "can" if self.done else "could"
        said = [
            f"{capital(one.name)} {can} no longer be computed: {one.reason}." for one in self.not_computed
        ]
        said += [one.sentence for one in crossing]
        if clearing:
            said.append(f"In order again: {', '.join(_what(one) for one in clearing)}.")
        if said:
            return " ".join(said)
        changed = counted(len(self.differences), "figure") if self.differences else "no figure"
        and_so = "; none crosses its limit" if self.differences else ""
        return f"It {'changed' if self.done else 'would change'} {changed}{and_so}."


def _what(one: Difference) -> str:
    of = one.after or one.before
    return f"{lower_first(of.limit.title)} of {of.subject}" if of is not None else one.code


@dataclass(frozen=True, eq=False)
class SiteFigures:
    """The figures of a site on a day in words, and what could not be computed of it."""

    as_of: dt.date
    figures: dict[tuple[str, Subject], RenderedLoad]
    not_computed: tuple[NotComputed, ...]


def figures_for_effect(site_id: int, happened_on: dt.date | None) -> SiteFigures:
    """The figures of a site by which the effect of a change of a day is told: as of that day or today, the
    later one. In words at once, since what a draft adds has a name only as long as it is there."""
    today = today_at(site_id)
    loads: SiteLoads = site_loads(site_id, max(happened_on or today, today))
    rendered = render_loads(loads.loads, loads.length_unit)
    figures = {(one.load.code, one.load.subject): one for one in rendered}
    return SiteFigures(loads.as_of, figures, not_computed(loads.problems))


@contextmanager
def effect_of(site_id: int, happened_on: dt.date | None) -> Iterator[Callable[[], Effect]]:
    """The effect of the change that is written inside, told by the function that this gives, after it.

    1. Lock the site's row, as an acceptance does, so that nobody else writes between before and after.
    2. Evaluate the site; let the caller write; evaluate it again when asked.

    Belongs into a transaction of the caller's.
    """
    if not connection.in_atomic_block:
        raise RuntimeError("an effect is told within the transaction that makes it")
    lock_site(site_id)
    before = figures_for_effect(site_id, happened_on)
    yield lambda: difference_between(before, figures_for_effect(site_id, happened_on), done=True)


def lock_site(site_id: int) -> None:
    """Have other writers of the site wait until the transaction ends."""
    list(Site.objects.select_for_update(no_key=True).filter(pk=site_id).values_list("pk"))


def difference_between(before: SiteFigures, after: SiteFigures, *, done: bool) -> Effect:
    """What differs between the figures of a site without a change and with it."""
    return Effect(
        as_of=after.as_of,
        differences=_differences(before, after),
        not_computed=_without(after.not_computed, before.not_computed),
        computed=_without(before.not_computed, after.not_computed),
        done=done,
    )


def _differences(before: SiteFigures, after: SiteFigures) -> tuple[Difference, ...]:
    found = [
        Difference(code, subject, before.figures.get((code, subject)), after.figures.get((code, subject)))
        for code, subject in dict.fromkeys([*after.figures, *before.figures])
    ]
    differing = [one for one in found if not _same(one.before, one.after)]
    return tuple(
        sorted(
            differing,
            key=lambda one: (not one.crosses, not one.clears, not one.worsens, -one.verdict_after),
        )
    )


def _without(some: tuple[NotComputed, ...], others: tuple[NotComputed, ...]) -> tuple[NotComputed, ...]:
    known = {(one.subject, one.reason) for one in others}
    return tuple(one for one in some if (one.subject, one.reason) not in known)


def _same(one: RenderedLoad | None, other: RenderedLoad | None) -> bool:
    if one is None or other is None:
        return one is other
    both = zip(one.load.estimates, other.load.estimates, strict=True)
    return all(old.alike(new, relative=_SAME) for old, new in both)
