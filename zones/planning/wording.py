"""Loads in words: what each figure is called, what it is about, and a sentence that a dispatcher understands.

Names are read for all loads at once, in a few queries whatever their number.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Verdict
from zones.limits.limit import Limit
from zones.limits.names import names_of, places_of
from zones.limits.registry import limit_by_code

from .loads import Load, Subject

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
        return f"{share:.0%} left" if share >= 0 else f"{-share:.0%} past its limit"


@dataclass(frozen=True)
class NotComputed:
    """Something that cannot be computed: what, as people call it, and why."""

    subject: Subject
    name: str
    reason: str


def told(loads: Sequence[Load]) -> tuple[Told, ...]:
    """Loads in words, in the same order."""
    names = names_of((int(load.subject_kind), load.subject_id) for load in loads)
    limits = [limit_by_code(load.code) for load in loads]
    places = places_of(
        (limit.detail, load.detail)
        for limit, load in zip(limits, loads, strict=True)
        if limit.detail is not None and load.detail is not None
    )
    return tuple(
        _told(load, limit, name_of(load.subject, names), places.get((limit.detail, load.detail or 0), ""))  # type: ignore[arg-type]
        for limit, load in zip(limits, loads, strict=True)
    )


def not_computed(problems: Sequence[tuple[Subject, str]]) -> tuple[NotComputed, ...]:
    """What cannot be computed, by name, each subject and reason once."""
    names = names_of((int(kind), pk) for (kind, pk), _ in problems)
    return tuple(
        NotComputed(subject, name_of(subject, names), reason) for subject, reason in dict.fromkeys(problems)
    )


def name_of(subject: Subject, names: dict[tuple[int, int], str]) -> str:
    kind, subject_id = subject
    return names.get((int(kind), subject_id), f"{SubjectKind(kind).name.lower()} {subject_id}")


def summary(figures: Sequence[Told], problems: Sequence[NotComputed]) -> str:
    """What a zone's loads come to, in a sentence or two: the worst is told, the rest counted."""
    if not figures and not problems:
        return "Nothing that feeds it is recorded, so nothing is known of what it carries."
    said = [f"{_capital(one.name)} cannot be computed: {one.reason}." for one in problems[:1]]
    worst = max((one.load.verdict for one in figures), default=Verdict.WITHIN)
    alike = [one for one in figures if one.load.verdict is worst]
    if worst > Verdict.WITHIN:
        more = f" And {len(alike) - 1} more {VERDICT_WORDS[worst]}." if len(alike) > 1 else ""
        said.append(f"{_capital(VERDICT_WORDS[worst])}: {alike[0].sentence}{more}")
    elif figures:
        least = min(
            (one for one in figures if one.load.headroom_likely is not None),
            key=lambda one: one.load.headroom_likely or 0.0,
            default=None,
        )
        count = len(figures)
        said.append(
            f"Within all {count} limits; the tightest is {_lower(least.limit.title)} of {least.subject}, "
            f"{least.headroom_words}."
            if least is not None
            else f"Within all {count} limits."
        )
    return " ".join(said)


def _told(load: Load, limit: Limit, subject: str, place: str) -> Told:
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


def _lower(text: str) -> str:
    # PoE stays as it is
    return text if text[:2].isupper() or text.startswith("PoE") else text[:1].lower() + text[1:]
