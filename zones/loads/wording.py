"""Loads in words: what each figure is called, what it is about, and a sentence that a dispatcher understands.

Names are read for all loads at once, in a few queries whatever their number.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from zones.electrical.subjects import Subject
from zones.electrical.verdicts import PAST_TOLERANCE, Verdict
from zones.limits.limit import Limit
from zones.limits.registry import limit_by_code
from zones.subjects import Names

from .site_loads import Load

VERDICT_WORDS: Final = {verdict: verdict.name.lower().replace("_", " ") for verdict in Verdict}


@dataclass(frozen=True)
class Told:
    """A load in words. subject, place: as people call them; place: where to look, blank where nowhere in
    particular. sentence: what is so, with figure and limit."""

    load: Load
    limit: Limit
    subject: str
    place: str
    sentence: str

    @property
    def headroom_words(self) -> str:
        """``12 % left``, ``4 % past its limit``; blank where no headroom is known."""
        share = self.load.headroom_likely
        if share is None:
            return ""
        return f"{abs(share):.0%} left" if share >= -PAST_TOLERANCE else f"{-share:.0%} past its limit"


@dataclass(frozen=True)
class NotComputed:
    """Something that cannot be computed: what, as people call it, and why."""

    subject: Subject
    name: str
    reason: str


def told(loads: Sequence[Load], names: Names | None = None) -> tuple[Told, ...]:
    """Loads in words, in the same order. names: where they are read already, with those of the places."""
    limits = [limit_by_code(load.code) for load in loads]
    of = names or Names(
        (load.subject for load in loads),
        ((limit.detail, load.detail) for limit, load in zip(limits, loads, strict=True)),
    )
    return tuple(
        _told(load, limit, of.of(load.subject), of.place(limit.detail, load.detail))
        for limit, load in zip(limits, loads, strict=True)
    )


def not_computed(
    problems: Sequence[tuple[Subject, str]], names: Names | None = None
) -> tuple[NotComputed, ...]:
    """What cannot be computed, by name, each subject and reason once. names: where they are read already."""
    of = names or Names(subject for subject, _ in problems)
    return tuple(NotComputed(subject, of.of(subject), reason) for subject, reason in dict.fromkeys(problems))


def summary(figures: Sequence[Told], problems: Sequence[NotComputed]) -> str:
    """What a zone's loads come to, in a sentence or two: the worst is told, the rest counted."""
    if not figures and not problems:
        return "Nothing that feeds it is recorded, so nothing is known of what it carries."
    said = [f"{_capital(one.name)} cannot be computed: {one.reason}." for one in problems[:1]]
    worst = max((one.load.verdict for one in figures), default=Verdict.WITHIN)
    alike = [one for one in figures if one.load.verdict is worst]
    if worst > Verdict.WITHIN:
        head = "Advice" if alike[0].limit.is_advice else _capital(VERDICT_WORDS[worst])
        said.append(f"{head}: {alike[0].sentence}{_and_more(len(alike) - 1, worst)}")
    elif figures:
        least = min(
            (one for one in figures if one.load.headroom_likely is not None),
            key=lambda one: one.load.headroom_likely or 0.0,
            default=None,
        )
        count = len(figures)
        said.append(
            f"Within all {count} limits; the tightest is {lower_first(least.limit.title)} of "
            f"{least.subject}, {least.headroom_words}."
            if least is not None
            else f"Within all {count} limits."
        )
    return " ".join(said)


def _and_more(count: int, verdict: Verdict) -> str:
    if not count:
        return ""
    figures = "1 more figure" if count == 1 else f"{count} more figures"
    if verdict is Verdict.CANNOT_TELL:
        return f" {figures} cannot be told."
    return f" {figures} {'is' if count == 1 else 'are'} {VERDICT_WORDS[verdict]}."


def difference_in_words(before: Told | None, after: Told | None) -> str:
    """What a draft would do to one figure: ``Supply current of supply PS 1: from 1.60 A to 2.08 A; limit
    1.60 A. Over; until now within.``"""
    one = after or before
    if one is None:
        raise ValueError("a difference has a side")
    head = f"{one.limit.title} of {one.subject}"
    if after is None:
        return f"{head}: not there any more."
    if before is None:
        return f"{head}: {_amount(after)}; {_limit(after)}. {_capital(VERDICT_WORDS[after.load.verdict])}."
    was, now = _amount(before), _amount(after)
    figure = now if was == now else f"from {was} to {now}"
    limit = _limit(after)
    if _limit(before) != limit:
        limit += f" instead of {_limit_alone(before)}"
    verdict = _capital(VERDICT_WORDS[after.load.verdict])
    if before.load.verdict is not after.load.verdict:
        verdict += f"; until now {VERDICT_WORDS[before.load.verdict]}"
    return f"{head}: {figure}; {limit}. {verdict}."


def _amount(one: Told) -> str:
    return one.limit.figure_text(math.nan, _number(one.load.likely), math.nan)


def _limit(one: Told) -> str:
    at_least = one.limit.rule is not None and one.limit.rule.at_least
    return f"{'at least' if at_least else 'limit'} {_limit_alone(one)}"


def _limit_alone(one: Told) -> str:
    return "unknown" if one.load.limit is None else one.limit.limit_text(one.load.limit)


def _told(load: Load, limit: Limit, subject: str, place: str) -> Told:
    """What is past, or may be, is told as the trouble that it is; what is in order, without any."""
    if load.verdict is Verdict.WITHIN or (load.verdict is Verdict.NEAR and not limit.is_advice):
        plain = Told(load, limit, subject, place, "")
        said = f"{limit.title}, {subject}: {_amount(plain)}; {_limit(plain)}."
        if limit.counts_faults:
            said = f"{limit.title}, {subject}: no."
        return replace(plain, sentence=said)
    said = limit.sentence(
        subject=subject,
        low=_number(load.low),
        likely=_number(load.likely),
        high=_number(load.high),
        limit=_number(load.limit),
        place=place,
    )
    return Told(load, limit, subject, place, _capital(said))


def worst_of(figures: Iterable[Told], problems: Sequence[NotComputed]) -> Verdict:
    """The worst verdict; what cannot be computed counts as "cannot tell"."""
    found = [one.load.verdict for one in figures] + [Verdict.CANNOT_TELL] * bool(problems)
    return max(found, default=Verdict.WITHIN)


def _number(value: float | None) -> float:
    return math.nan if value is None else value


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def lower_first(text: str) -> str:
    # PoE stays as it is
    return text if text[:2].isupper() or text.startswith("PoE") else text[:1].lower() + text[1:]
