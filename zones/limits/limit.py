"""What a limit is: its rule, its words and its remedies in one entry."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import IntEnum, StrEnum
from typing import Self

from sites.wording import capital, plural
from zones.electrical.bands import LIKELY
from zones.electrical.estimates import WORDS, Estimate, Estimates
from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Rule
from zones.limits.amounts import amount, percent
from zones.limits.cautions import Caution

NO_SOURCE = "common practice, no source"
NO_NUMBER = "no stable voltage: overloaded"
"""What is said in place of a figure where there is no stable solution."""


class Severity(IntEnum):
    """What follows where the limit is past: the order in which a dispatcher looks at findings."""

    ADVICE = 0, "advice"
    SOUND_SUFFERS = 1, "pages may be weak or distorted"
    SILENCE = 2, "a zone may fall silent"
    HAZARD = 3, "something may overheat or be destroyed, or the wiring rules are broken"

    def __new__(cls, number: int, words: str) -> Severity:
        member = int.__new__(cls, number)
        member._value_ = number
        member.words = words
        return member

    words: str


class Remedy(StrEnum):
    """Kinds of remedy. The last three are done by a person who looks; the others are computed before they are
    offered."""

    SPARE_PAIR = "spare_pair"
    MOVE_BRANCH = "move_branch"
    SPLIT_RUN = "split_run"
    SECOND_SUPPLY = "second_supply"
    LOWER_TAPS = "lower_taps"
    LARGER_SUPPLY = "larger_supply"
    LARGER_AMPLIFIER = "larger_amplifier"
    MOVE_ENDPOINT = "move_endpoint"
    REWIRE = "rewire"
    TEST = "test"
    CORRECT_RECORD = "correct_record"


class Detail(StrEnum):
    """What the number beside a figure (``Evaluation.detail``) is the id of: where to look."""

    POINT = "point"
    ROW = "row"
    ENDPOINT = "endpoint"
    READING = "reading"
    DUE_TEST = "due_test"
    """No id: the days of ``zones.electrical.proofs.DueTest``."""


@dataclass(frozen=True, kw_only=True)
class Limit:
    """One limit of the registry.

    code: as the core gives it with the figure, at most 40 characters. rule: how it is judged; None: no figure
    is judged. subject_kind: what it judges; None: several kinds. quantity: what the figure is. unit: of
    figure, limit and headroom; blank for counts and fractions. decimals: how many are shown. limit_from: what
    the limit is made of. source: the document it is in, or that there is none. template: the sentence; its
    fields are ``subject``, ``figure`` (with unit or noun, and its band), ``limit`` ("limit 1.60 A", "minimum
    18.0 V"), ``allowed`` (the number alone), ``which`` (the reading) and ``at``, ``to``, ``of``, ``first``
    (" at P12", " to P12", " of row 5", ", first P12"; blank without a place).
    remedies: kinds, in the order in which they are tried. detail: what the figure's detail is the id of.
    noun: what a count counts. past, in_order: of a count
    of faults, a clause on the subject while there are some, and while there are none.
    """

    code: str
    title: str
    rule: Rule | None
    subject_kind: SubjectKind | None
    quantity: str
    unit: str = ""
    decimals: int = 0
    limit_from: str
    source: str
    severity: Severity
    template: str
    remedies: tuple[Remedy, ...]
    cautions: tuple[Caution, ...] = ()
    detail: Detail | None = None
    noun: str = ""
    past: str = ""
    in_order: str = ""
    gone: str = "no such figure"
    """What is said, of a finding that cleared, where its subject has no such figure any more."""
    overloaded: str = ""
    """The sentence where the network has no stable solution in the likely estimate."""
    open_question: str = ""
    """The sentence where only the high estimate is past, of a count that says nothing then."""
    opens_findings: bool = True
    """Whether what is past it is a finding. Else it is only said where its figure is shown."""
    length_unit: str = "m"
    """In which its sentences show lengths (``Site.LengthUnit``); figures and limits stay in ``unit``."""

    def shown_in(self, length_unit: str) -> Self:
        """The limit as its sentences read on a site that counts in this unit."""
        return self if length_unit == self.length_unit else replace(self, length_unit=length_unit)

    @property
    def is_advice(self) -> bool:
        return self.rule is not None and self.rule.advice

    @property
    def is_minimum(self) -> bool:
        """Whether the figure must not fall below the limit."""
        return self.rule is not None and self.rule.at_least

    def headroom(self, figure: float, limit: float) -> float | None:
        """``share_left``; None of advice, which is never past, and within a limit that is never near."""
        share = None if self.is_advice else self.share_left(figure, limit)
        return None if share is None or (self.never_near and share >= 0) else share

    def share_left(self, figure: float, limit: float) -> float | None:
        """The share of the limit that is left, negative past it; of a level or a loss its margin over 6 dB,
        since a limit of 0 dB is nothing special. None where that means nothing."""
        whole = _WHOLE_DB if self.unit == "dB" else abs(limit)
        if not whole or self.counts_faults:
            return None
        return (figure - limit if self.is_minimum else limit - figure) / whole

    @property
    def never_near(self) -> bool:
        """Whether a figure within its limit is in order even close to it, so that it has no headroom."""
        return self.rule is not None and self.rule.near_margin == 0

    @property
    def counts_faults(self) -> bool:
        """Whether the figure is of what should not be there at all: such a limit has no headroom."""
        return self.never_near and bool(self.in_order)

    @property
    def near_rule(self) -> str:
        """When a figure counts as near, in words."""
        if self.is_advice:
            return "advice: near, never past"
        if self.rule is None or self.never_near:
            return "never near: past or not"
        if self.rule.near_margin is not None:
            return f"near within {self.number(self.rule.near_margin)} of the limit"
        return f"near under {percent(self.rule.near_fraction)} headroom"

    def number(self, value: float, *, apart_from: float | None = None) -> str:
        """A value with the unit; in more digits where it would else look like ``apart_from``."""
        return amount(
            value,
            self.unit,
            decimals=self.decimals,
            apart_from=apart_from,
            length_unit=self.length_unit,
        )

    def figure_text(
        self,
        value: float | None,
        *,
        overloaded: bool = False,
        bound: bool = False,
        apart_from: float | None = None,
    ) -> str:
        """The figure with its unit. value: [unit], None not known. overloaded: there is no stable solution.
        bound: the true figure may be harsher."""
        if overloaded:
            return NO_NUMBER
        if value is None:
            return "not known" if bound else "not recorded"
        shown = self.number(value, apart_from=apart_from)
        text = f"{shown} {plural(value, self.noun)}" if self.noun else shown
        return f"at {'most' if self.is_minimum else 'least'} {text}" if bound else text

    def estimate_text(self, one: Estimate, *, apart_from: float | None = None) -> str:
        """One estimate of the figure, as ``figure_text``."""
        return self.figure_text(one.value, overloaded=one.overloaded, bound=one.bound, apart_from=apart_from)

    def band_text(self, estimates: Estimates) -> str:
        """The likely estimate with its unit, and the range of the estimates that are decided at its place."""
        likely = estimates.likely
        text = self.estimate_text(likely)
        ends = [one.value for one in estimates if one.value is not None and one.is_beside(likely)]
        if likely.value is None or likely.bound or len({self.number(value) for value in ends}) == 1:
            return text
        return f"{text} ({self.number(min(ends))} to {self.number(max(ends))})"

    def other_estimates(self, estimates: Estimates, places: Sequence[str]) -> str:
        """What the low and the high estimate are, where they are decided at another place or are not a number
        as the likely one is: ``; high estimate 15.9 V at P7, minimum 16.0 V``. Blank where there is nothing
        to add."""
        likely, said = estimates.likely, []
        for word, one, place in zip(WORDS, estimates, places, strict=True):
            if one.overloaded and not likely.overloaded:
                said.append(f"; {word} estimate: {NO_NUMBER}")
            elif one.value is None and one.bound and likely.value is not None:
                said.append(f"; {word} estimate not known")
            elif one.value is not None and (not one.is_beside(likely) or (one.bound and not likely.bound)):
                at = f" at {place}" if place else ""
                said.append(f"; {word} estimate {self.estimate_text(one)}{at}, {self.limit_text(one.limit)}")
        return "".join(said)

    def limit_text(self, limit: float | None) -> str:
        """``limit 1.60 A``, ``minimum 18.0 V``."""
        if limit is None:
            return "limit not recorded: rating missing"
        return f"{'minimum' if self.is_minimum else 'limit'} {self.number(limit)}"

    def sentence(self, *, subject: str, estimates: Estimates, places: Sequence[str] = ("", "", "")) -> str:
        """What is past, or may be, in one sentence. subject, places: as people call them; a place an
        estimate."""
        likely, place = estimates.likely, places[LIKELY]
        template = self.template
        if self.open_question and likely.value == 0 and estimates.high.value:
            asked = self.estimate_text(estimates.high)
            return capital(self.open_question.format(subject=subject, figure=asked))
        if likely.overloaded:
            template = self.overloaded
        elif likely.value is None and self.rule is not None:
            template = f"{self.title}, {{subject}}: {{figure}}; {{limit}}."
        said = template.format(
            subject=subject,
            figure=self.band_text(estimates),
            limit=self.limit_text(likely.limit),
            allowed=_allowed(likely.limit),
            which=place or "a reading",
            **{key: f"{lead}{place}" if place else "" for key, lead in _LEADS.items()},
        )
        others = self.other_estimates(estimates, places)
        return capital(f"{said.removesuffix('.')}{others}." if others else said)

    def clause(self, subject: str, one: Estimate) -> str:
        """Figure and limit in a few words: ``supply PS-1: 1.83 A, limit 1.60 A``, or of a count of faults
        ``polarity reversed on 2 rows of block B1``."""
        if not self.past:
            text = self.estimate_text(one, apart_from=one.limit)
            return f"{subject}: {text}, {self.limit_text(one.limit)}"
        in_order = one.value is not None and one.limit is not None and one.value <= one.limit
        template = self.in_order if in_order else self.past
        return template.format(
            subject=subject, figure=self.figure_text(one.value), allowed=_allowed(one.limit)
        )


_LEADS = {"at": " at ", "to": " to ", "of": " of ", "first": ", first "}


_WHOLE_DB = 6.0  # half the voltage; common practice, no source


def _allowed(limit: float | None) -> str:
    return "none" if limit is None else f"{limit:g}"
