"""What a limit is: everything that is said, judged and offered about it, in one entry."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum, StrEnum

from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Rule
from zones.limits.cautions import Caution

NO_SOURCE = "common practice, no source"


class Severity(IntEnum):
    """What follows where the limit is past: the order in which a dispatcher looks at findings."""

    ADVICE = 0, "advice"
    SOUND_SUFFERS = 1, "pages may be weak or distorted"
    SILENCE = 2, "a zone may fall silent"
    HAZARD = 3, "something may overheat, or the wiring rules are broken"

    def __new__(cls, number: int, words: str) -> Severity:
        member = int.__new__(cls, number)
        member._value_ = number
        member.words = words
        return member

    words: str


class Remedy(StrEnum):
    """Kinds of remedy. The first ones are computed before they are offered; the last ones are done by a
    person who looks."""

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


@dataclass(frozen=True)
class Limit:
    """One limit of the registry.

    code: as the core gives it with the figure, at most 40 characters. rule: how it is judged; None: it is
    opened by other means than a figure. subject_kind: what it judges; None: several kinds. quantity: what
    the figure is. unit: of figure, limit and headroom; blank for counts and shares. decimals: how many are
    shown. limit_from: what the limit is made of. source: the document it is in, or that there is none.
    template: the sentence; ``{place}`` becomes " at P12", or nothing.
    remedies: kinds, in the order in which they are tried. detail: what the figure's detail is, None: nothing.
    zero_means: what a likely figure of nothing says.
    """

    code: str
    title: str
    rule: Rule | None
    subject_kind: SubjectKind | None
    quantity: str
    unit: str
    decimals: int
    limit_from: str
    source: str
    severity: Severity
    template: str
    remedies: tuple[Remedy, ...]
    cautions: tuple[Caution, ...] = ()
    detail: Detail | None = None
    zero_means: str = ""

    @property
    def is_advice(self) -> bool:
        return self.rule is not None and self.rule.advice

    @property
    def counts_faults(self) -> bool:
        """Whether the figure counts what should not be there: such a limit has no headroom."""
        return self.rule is not None and self.rule.near_margin == 0 and not self.unit

    @property
    def has_common_practice(self) -> bool:
        """Whether some part of the limit is a default without a source."""
        return NO_SOURCE in self.source

    @property
    def near_rule(self) -> str:
        """When a figure counts as near, as a person reads it."""
        if self.is_advice:
            return "advice: said as near, never as past"
        if self.rule is None or self.rule.near_margin == 0:
            return "never near: past or not"
        if self.rule.near_margin is not None:
            return f"near within {self._number(self.rule.near_margin)} of the limit"
        return f"near under {self.rule.near_fraction:.0%} headroom"

    def figure_text(self, low: float, likely: float, high: float) -> str:
        """The figure with its unit, and its band where it has one.

        low, likely, high: [unit]; NaN: not known.
        """
        if math.isnan(likely):
            return "an unknown amount"
        text = self._number(likely)
        if likely == 0 and self.zero_means:
            text += f" ({self.zero_means})"
        bounds = sorted({self._number(low), self._number(high)}, key=lambda shown: float(shown.split()[0]))
        if math.isnan(low) or math.isnan(high) or bounds == [self._number(likely)]:
            return text
        return f"{text} (between {' and '.join(bounds)})"

    def limit_text(self, limit: float) -> str:
        return "an unknown amount, since a rating is missing" if math.isnan(limit) else self._number(limit)

    def sentence(
        self, *, subject: str, low: float, likely: float, high: float, limit: float, place: str = ""
    ) -> str:
        """What a dispatcher reads. subject, place: as people call them."""
        return self.template.format(
            subject=subject,
            figure=self.figure_text(low, likely, high),
            limit=self.limit_text(limit),
            place=f" at {place}" if place else "",
        )

    def _number(self, value: float) -> str:
        shown = f"{value + 0.0:.{self.decimals}f}"
        return f"{shown} {self.unit}" if self.unit else shown
