"""The three estimates of a figure, each at the place that decides it, with that place's own limit.

The worst speaker of the high estimate may be another than that of the likely one, with another minimum. So
each estimate keeps its value, its limit and where it is: all three belong to one thing that exists.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from .bands import IntArray
from .plant import BoolArray

WORDS = ("low", "likely", "high")
LIMITS = ("low_limit", "limit", "high_limit")
DETAILS = ("low_detail", "detail", "high_detail")
FLAGS = ("overloaded", "bounds")
COLUMNS = (*WORDS, *LIMITS, *DETAILS, *FLAGS)
"""Columns of an evaluation that make up the estimates of a figure, in the order that ``estimates_of``
takes."""


class Estimate(NamedTuple):
    """One estimate of a figure. value, limit: [unit of the limit], None not known. detail: id of the point,
    row or reading that decides. overloaded: there is no stable solution, so no number, and it is past. bound:
    the true figure may be harsher than the number."""

    value: float | None
    limit: float | None
    detail: int | None = None
    overloaded: bool = False
    bound: bool = False

    def alike(self, other: Estimate, *, relative: float) -> bool:
        """Whether both say the same, apart from rounding."""
        return (self.detail, self.overloaded, self.bound) == (
            other.detail,
            other.overloaded,
            other.bound,
        ) and all(
            one is another
            if one is None or another is None
            else math.isclose(one, another, rel_tol=relative, abs_tol=1e-12)
            for one, another in ((self.value, other.value), (self.limit, other.limit))
        )

    def is_beside(self, other: Estimate) -> bool:
        """Whether it is decided at the same place, against the same limit."""
        return (self.limit, self.detail) == (other.limit, other.detail)


UNKNOWN = Estimate(None, None)


class Estimates(NamedTuple):
    low: Estimate
    likely: Estimate
    high: Estimate

    @property
    def overloaded(self) -> list[str]:
        """The words of those that have no stable solution."""
        return [word for word, one in zip(WORDS, self, strict=True) if one.overloaded]

    @property
    def bounds(self) -> list[str]:
        """The words of those whose true figure may be harsher than the number."""
        return [word for word, one in zip(WORDS, self, strict=True) if one.bound]


def own_or_likely(own: float | None, likely: float | None) -> float | None:
    """The limit of the low or the high estimate [unit of the limit]. Where it has none of its own, it is that
    of the likely estimate, as in figures that the previous release wrote."""
    return likely if own is None else own


def estimates_of(*columns: Any) -> Estimates:
    """The estimates of one figure. columns: as in ``COLUMNS``, None not known. Limits: as
    ``own_or_likely``."""
    low, likely, high, low_limit, limit, high_limit, low_detail, detail, high_detail, *flags = columns
    none, bound = flags[0] or 0, flags[1] or 0
    if low_limit is None and low_detail is None:
        low_detail = detail
    if high_limit is None and high_detail is None:
        high_detail = detail
    low_limit, high_limit = own_or_likely(low_limit, limit), own_or_likely(high_limit, limit)
    return Estimates(
        Estimate(low, low_limit, low_detail, bool(none & 1), bool(bound & 1)),
        Estimate(likely, limit, detail, bool(none & 2), bool(bound & 2)),
        Estimate(high, high_limit, high_detail, bool(none & 4), bool(bound & 4)),
    )


NOT_KNOWN = Estimates(UNKNOWN, UNKNOWN, UNKNOWN)


def telling(estimates: Estimates) -> Estimate:
    """The likely one, or where that is not known the high or the low one."""
    low, likely, high = estimates
    return next((one for one in (likely, high, low) if one.overloaded or one.value is not None), likely)


def bits(of: BoolArray) -> IntArray:
    """(n,) from (3, n): 1 where the low estimate is so, 2 the likely, 4 the high, added up.

    >>> bits(np.array([[False], [True], [True]])).tolist()
    [6]
    """
    out: IntArray = of[0] + 2 * of[1].astype(np.int64) + 4 * of[2].astype(np.int64)
    return out


WORDS_OF_BITS = [[word for place, word in enumerate(WORDS) if number >> place & 1] for number in range(8)]
"""By a number as in ``bits``: the words of the estimates that are so."""


def of_bits(number: IntArray) -> BoolArray:
    """(3, n) from (n,): the reverse of ``bits``."""
    out: BoolArray = (number >> np.arange(3)[:, None] & 1).astype(np.bool_)
    return out
