"""Verdicts, from three estimates and a limit.

*Low* is the corner kindest to the limit and *high* the harshest: under a voltage minimum the low estimate is
the highest voltage. An estimate is *past* a limit when it is beyond it by more than 1e-9 of it, so that
neither equality nor rounding opens a finding.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .bands import HIGH, LIKELY, LOW

PAST_TOLERANCE = 1e-9


class Verdict(IntEnum):
    """Verdicts in order of severity. The numbers are stored: never renumber."""

    WITHIN = 0
    NEAR = 1
    CANNOT_TELL = 2
    PROBABLY_PAST = 3
    PAST = 4


@dataclass(frozen=True)
class Rule:
    """How one limit is judged.

    code: of the limit, and of the figure that is judged by it. at_least: the figure must not fall below the
    limit (else: must not exceed it). near_fraction: headroom, as a fraction of the limit, below which a
    figure is near. near_margin: that headroom in the figure's unit instead; 0: never near. advice: the worst
    verdict is "near".
    """

    code: str
    at_least: bool = False
    near_fraction: float = 0.10
    near_margin: float | None = None
    advice: bool = False


def past(figure: ArrayLike, limit: ArrayLike, *, at_least: bool) -> NDArray[np.bool_]:
    """True where the figure is beyond the limit by more than 1e-9 of it; False where either is NaN.

    figure, limit: any shapes that broadcast [same unit].

    >>> past([1.6, 1.6 + 1e-12, 1.61], 1.6, at_least=False).tolist()
    [False, False, True]
    """
    figure_, limit_ = np.asarray(figure, float), np.asarray(limit, float)
    slack = np.abs(limit_) * PAST_TOLERANCE
    with np.errstate(invalid="ignore"):
        return np.asarray(figure_ < limit_ - slack if at_least else figure_ > limit_ + slack)


def judge(
    low: ArrayLike,
    likely: ArrayLike,
    high: ArrayLike,
    limit: ArrayLike,
    rule: Rule,
    overloaded: ArrayLike = False,
    bound: ArrayLike = False,
) -> NDArray[np.uint8]:
    """The verdict of each row.

    low, likely, high: (n,) [unit of the figure], NaN unknown. limit: (n,), or (3, n) where each estimate has
    its own; a row whose limit or high estimate is unknown is never within. rule: which way the limit points,
    and when a figure is near. overloaded: (3, n) or one for all, estimates without a stable solution: past
    whatever the limit. bound: (3, n) or one for all, estimates whose true figure may be harsher: a row whose
    high one is such is never better than cannot tell. Returns (n,) of ``Verdict``.

    >>> low, likely, high = [1.7, 1.5, 1.5, 1.0], [1.8, 1.7, 1.55, 1.1], [1.9, 1.9, 1.7, 1.2]
    >>> [Verdict(v).name for v in judge(low, likely, high, 1.6, Rule("supply_current"))]
    ['PAST', 'PROBABLY_PAST', 'CANNOT_TELL', 'WITHIN']
    """
    estimates = np.stack(np.broadcast_arrays(low, likely, high)).astype(float)
    limits = np.broadcast_to(limit, estimates.shape)
    is_past = past(estimates, limits, at_least=rule.at_least) | np.asarray(overloaded, bool)
    harshest = limits[HIGH]
    if rule.near_margin is None:
        margin = np.abs(harshest) * rule.near_fraction
    else:
        margin = np.full(harshest.shape, rule.near_margin)
    near_at = harshest + margin if rule.at_least else harshest - margin
    verdict = np.zeros(harshest.shape, np.uint8)
    if rule.near_margin != 0:
        verdict[past(estimates[HIGH], near_at, at_least=rule.at_least)] = Verdict.NEAR
    unknown = np.isnan(estimates[HIGH]) | np.isnan(limits).any(axis=0)
    unknown |= np.broadcast_to(bound, estimates.shape)[HIGH]
    verdict[unknown | is_past[HIGH]] = Verdict.CANNOT_TELL
    verdict[is_past[LIKELY]] = Verdict.PROBABLY_PAST
    verdict[is_past[LOW]] = Verdict.PAST
    if rule.advice:
        verdict[verdict >= Verdict.CANNOT_TELL] = Verdict.NEAR
    return verdict
