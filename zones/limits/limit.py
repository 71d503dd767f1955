"""What a limit is: its rule, its words and its remedies in one entry."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum, StrEnum

from sites.wording import capital, plural
from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Rule
from zones.limits.amounts import amount, percent
from zones.limits.cautions import Caution

NO_SOURCE = "common practice, no source"


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
    """Kinds of remedy. The last two are done by a person who looks; the others are computed before they are
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
    CORRECT_RECORD = "correct_record"


class Detail(StrEnum):
    """What the number beside a figure (``Evaluation.detail``) is the id of: where to look."""

    POINT = "point"
    ROW = "row"
    ENDPOINT = "endpoint"
    READING = "reading"


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
    noun: what a count counts. percent: the figure is a fraction, shown in percent. past, in_order: of a count
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
    percent: bool = False
    past: str = ""
    in_order: str = ""
    overloaded: str = ""
    """The sentence where a likely figure of 0 means that the network has no stable voltage."""

    @property
    def is_advice(self) -> bool:
        return self.rule is not None and self.rule.advice

    @property
    def is_minimum(self) -> bool:
        """Whether the figure must not fall below the limit."""
        return self.rule is not None and self.rule.at_least

    @property
    def never_near(self) -> bool:
        """Whether a figure that stays within is in order however close it is, so that it has no headroom."""
        return self.rule is not None and self.rule.near_margin == 0

    @property
    def counts_faults(self) -> bool:
        """Whether the figure counts what should not be there: such a limit has no headroom."""
        return self.never_near and not self.unit

    @property
    def has_common_practice(self) -> bool:
        """Whether some part of the limit is a default without a source."""
        return NO_SOURCE in self.source

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
        if self.percent:
            return percent(value)
        return amount(value, self.unit, decimals=self.decimals, apart_from=apart_from)

    def figure_text(
        self,
        likely: float | None,
        low: float | None = None,
        high: float | None = None,
        *,
        apart_from: float | None = None,
    ) -> str:
        """The figure with its unit, and its band where it has one. None: not known [unit]."""
        if likely is None:
            return "not recorded"
        if likely == 0 and self.overloaded:
            return "no stable voltage: overloaded"
        shown = self.number(likely, apart_from=apart_from)
        text = f"{shown} {plural(likely, self.noun)}" if self.noun else shown
        if low is None or high is None or self.number(low) == self.number(high) == self.number(likely):
            return text
        return f"{text} ({' to '.join(self.number(value) for value in sorted((low, high)))})"

    def limit_text(self, limit: float | None) -> str:
        """``limit 1.60 A``, ``minimum 18.0 V``."""
        if limit is None:
            return "limit not recorded: rating missing"
        return f"{'minimum' if self.is_minimum else 'limit'} {self.number(limit)}"

    def sentence(
        self,
        *,
        subject: str,
        low: float | None,
        likely: float | None,
        high: float | None,
        limit: float | None,
        place: str = "",
    ) -> str:
        """What is past, or may be, in one sentence. subject, place: as people call them."""
        template = self.template
        if likely is None and self.rule is not None:
            template = f"{self.title}, {{subject}}: {{figure}}; {{limit}}."
        elif likely == 0 and self.overloaded:
            template = self.overloaded
        return capital(
            template.format(
                subject=subject,
                figure=self.figure_text(likely, low, high),
                limit=self.limit_text(limit),
                allowed=_allowed(limit),
                which=place or "a reading",
                **{key: f"{lead}{place}" if place else "" for key, lead in _LEADS.items()},
            )
        )

    def clause(self, subject: str, figure: float | None, limit: float | None) -> str:
        """Figure and limit in a few words: ``supply PS-1: 1.83 A, limit 1.60 A``, or of a count of faults
        ``polarity reversed on 2 rows of block B1``."""
        if not self.past:
            return f"{subject}: {self.figure_text(figure, apart_from=limit)}, {self.limit_text(limit)}"
        template = (
            self.in_order if figure is not None and limit is not None and figure <= limit else self.past
        )
        return template.format(subject=subject, figure=self.figure_text(figure), allowed=_allowed(limit))


_LEADS = {"at": " at ", "to": " to ", "of": " of ", "first": ", first "}


def _allowed(limit: float | None) -> str:
    return "none" if limit is None else f"{limit:g}"
