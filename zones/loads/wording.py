"""Loads in words: what each figure is called, what it is about, and a sentence that a dispatcher understands.

Names are read for all loads at once, in a few queries for any number of loads.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from sites.wording import capital, counted, lower_first, plural
from zones.electrical.subjects import Subject
from zones.electrical.verdicts import PAST_TOLERANCE, Verdict
from zones.limits.amounts import percent
from zones.limits.limit import Detail, Limit
from zones.limits.record import why_not_computed
from zones.limits.registry import limit_by_code
from zones.subjects import Names, Places

from .site_loads import Load

VERDICT_WORDS: Final = {verdict: verdict.name.lower().replace("_", " ") for verdict in Verdict}


@dataclass(frozen=True)
class RenderedLoad:
    """A load in words. subject, places: as people call them; places: where each estimate is decided, blank
    where nowhere in particular. sentence: figure and limit, and what is wrong where something is."""

    load: Load
    limit: Limit
    subject: str
    places: Places

    @property
    def place(self) -> str:
        """Where to look."""
        return "" if self.limit.detail is Detail.DUE_TEST else self.places.likely

    @property
    def sentence(self) -> str:
        load, limit = self.load, self.limit
        if self.is_in_order:
            others = limit.other_estimates(load.estimates, self.places)
            shown = "no" if limit.counts_faults else f"{self.figure}; {self.limit_text}{others}"
            return f"{limit.title}, {self.subject}: {shown}."
        return limit.sentence(subject=self.subject, estimates=load.estimates, places=self.places)

    @property
    def is_in_order(self) -> bool:
        """Whether it stays within its limit; advice is not in order where it is near."""
        return self.load.verdict is Verdict.WITHIN or (
            self.load.verdict is Verdict.NEAR and not self.limit.is_advice
        )

    @property
    def figure(self) -> str:
        return self.limit.estimate_text(self.load.estimates.likely)

    @property
    def limit_text(self) -> str:
        return self.limit.limit_text(self.load.limit)

    @property
    def headroom_words(self) -> str:
        return headroom_words(self.load.headroom_likely)


def headroom_words(share: float | None) -> str:
    """``12 % left``, ``4 % past its limit``; blank where no headroom is known."""
    if share is None:
        return ""
    return f"{percent(abs(share))} {'left' if share >= -PAST_TOLERANCE else 'past its limit'}"


@dataclass(frozen=True)
class NotComputed:
    """Something that cannot be computed: what, as people call it, and why."""

    subject: Subject
    name: str
    reason: str


def render_loads(
    loads: Sequence[Load], length_unit: str, names: Names | None = None
) -> tuple[RenderedLoad, ...]:
    """Loads of a site in words, in the same order. length_unit: in which the site counts. names: where they
    are read already, with those of the places."""
    limits = [limit_by_code(load.code).shown_in(length_unit) for load in loads]
    of = names or Names((load.subject for load in loads), places_of(loads))
    return tuple(
        RenderedLoad(load, limit, of.of(load.subject), of.places(limit.detail, load.estimates))
        for limit, load in zip(limits, loads, strict=True)
    )


def places_of(loads: Iterable[Load]) -> Iterator[tuple[Detail | None, int | None]]:
    """What the estimates of some loads are decided by."""
    return ((limit_by_code(load.code).detail, one.detail) for load in loads for one in load.estimates)


def not_computed(
    problems: Sequence[tuple[Subject, str]], names: Names | None = None
) -> tuple[NotComputed, ...]:
    """What cannot be computed, by name, each subject and reason once. names: where they are read already."""
    of = names or Names(subject for subject, _ in problems)
    return tuple(
        NotComputed(subject, of.of(subject), why_not_computed([reason]))
        for subject, reason in dict.fromkeys(problems)
    )


def summary(figures: Sequence[RenderedLoad], problems: Sequence[NotComputed]) -> str:
    """A zone's loads in a sentence or two: the worst in full, the others counted."""
    if not figures and not problems:
        return "No run and no speaker of this zone is recorded, so its load is not known."
    sentences = [f"{capital(one.name)} cannot be computed: {one.reason}." for one in problems[:1]]
    worst = max((one.load.verdict for one in figures), default=Verdict.WITHIN)
    alike = [one for one in figures if one.load.verdict is worst]
    if worst > Verdict.WITHIN:
        head = "Advice" if alike[0].limit.is_advice else capital(VERDICT_WORDS[worst])
        sentences.append(f"{head}: {alike[0].sentence}{_and_more(len(alike) - 1, worst)}")
    elif figures:
        within = f"Within all {len(figures)} limits"
        least = min(
            (one for one in figures if one.load.headroom_likely is not None),
            key=lambda one: one.load.headroom_likely or 0.0,
            default=None,
        )
        if least is not None:
            title = lower_first(least.limit.title)
            within += f"; tightest: {title} of {least.subject}, {least.headroom_words}"
        sentences.append(f"{within}.")
    return " ".join(sentences)


def _and_more(count: int, verdict: Verdict) -> str:
    if not count:
        return ""
    more = counted(count, "more figure")
    if verdict is Verdict.CANNOT_TELL:
        return f" {more} cannot be judged."
    return f" {more} {plural(count, 'is', 'are')} {VERDICT_WORDS[verdict]}."


def difference_in_words(before: RenderedLoad | None, after: RenderedLoad | None) -> str:
    """How a draft would change one figure: ``Supply current of supply PS 1: from 1.60 A to 2.08 A; limit
    1.60 A. Past; before within.``; of faults, whose limit is none: ``Run R1 is in service and not proven.
    Past; before within.``"""
    one = after or before
    if one is None:
        raise ValueError("a difference has a side")
    head = f"{one.limit.title} of {one.subject}"
    if after is None:
        return f"{head}: no longer there."
    verdict = capital(VERDICT_WORDS[after.load.verdict])
    if before is not None and before.load.verdict is not after.load.verdict:
        verdict += f"; before {VERDICT_WORDS[before.load.verdict]}"
    if after.limit.past:
        if before is not None and before.load.verdict is after.load.verdict and before.figure != after.figure:
            verdict += f"; before {before.figure}"
        return f"{after.sentence} {verdict}."
    if before is None:
        return f"{head}: {after.figure}; {after.limit_text}. {verdict}."
    figure = after.figure if before.figure == after.figure else f"from {before.figure} to {after.figure}"
    limit = after.limit_text
    if before.limit_text != limit:
        limit = f"{limit}, before {before.limit_text}"
    return f"{head}: {figure}; {limit}. {verdict}."


def worst_of(figures: Iterable[RenderedLoad], problems: Sequence[NotComputed]) -> Verdict:
    """The worst verdict; what cannot be computed counts as "cannot tell"."""
    found = [one.load.verdict for one in figures] + [Verdict.CANNOT_TELL] * bool(problems)
    return max(found, default=Verdict.WITHIN)
