"""The factor on guessed values at which a network meets a reading."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from .bands import HIGH, LIKELY, LOW, FloatArray
from .figures import any_of
from .plant import BoolArray
from .reading_bench import Bench

_ROUNDS = 160
_EQUAL = 1e-13
"""Relative distance of two factors that count as equal."""


@dataclass(frozen=True)
class Fit:
    """factor: (r,) NaN where nothing is scaled. times: (n,) what each node's value is scaled by: the factor,
    stopped at the edge of its band, or 1. reached: (r,) False where only networks without a solution are
    left before the sum is the wanted one."""

    factor: FloatArray
    times: FloatArray
    reached: BoolArray


def fit_factor(
    bench: Bench,
    scaled: BoolArray,
    effective: BoolArray,
    band: FloatArray,
    wanted: FloatArray,
    parts: Callable[[FloatArray], FloatArray],
) -> Fit:
    """The factor on the scaled nodes, each stopped at its band, at which the sum of their tree's parts is the
    wanted one, or the nearer end.

    bench: of r readings, one tree each, with n nodes. scaled: (n,) what the factor is on; effective: (n,)
    those of them that the sum feels. band: (3, n) of each value. wanted: (r,). parts: (n,) what each node
    adds to the sum, given (n,) what every node is scaled by.
    One proportion is exact for constant-current loads until a value stops. The current of loads in watts
    depends on the voltage, so the proportion is repeated until it converges.
    """
    low, high = np.ones((2, len(scaled)))
    for out, edge in ((low, LOW), (high, HIGH)):
        np.divide(band[edge], band[LIKELY], out=out, where=scaled)
    possible = any_of(bench.tree, effective, bench.count)
    least, most = np.ones((2, bench.count))
    np.minimum.at(least, bench.tree[effective], low[effective])
    np.maximum.at(most, bench.tree[effective], high[effective])

    def stopped(factor: FloatArray) -> FloatArray:
        return np.where(scaled, np.clip(factor[bench.tree], low, high), 1.0)

    def better(factor: FloatArray) -> FloatArray:
        of_node, by_node = parts(stopped(factor)), factor[bench.tree]
        moves = (low < by_node) & (by_node < high)
        stays = bench.total(np.where(moves, 0.0, of_node))
        moved = bench.total(np.where(moves, of_node, 0.0))
        with np.errstate(invalid="ignore", divide="ignore"):
            proportion = factor * (wanted - stays) / moved
            # where all values are stopped, only the way to go is known
            way = np.where(stays < wanted, np.inf, np.where(stays > wanted, -1.0, factor))
            return np.where(np.isnan(stays + moved), np.nan, np.where(moved > 0, proportion, way))

    factor = _converge(better, least, most, possible)
    reached = ~(possible & np.isnan(factor))
    times = stopped(np.where(np.isnan(factor), 1.0, factor))
    return Fit(np.where(possible, factor, np.nan), times, reached)


def _converge(
    better: Callable[[FloatArray], FloatArray], least: FloatArray, most: FloatArray, possible: BoolArray
) -> FloatArray:
    """The fixed points of a proportional correction between ``least`` and ``most`` (r,), iterated from 1, or
    the end that is nearer; NaN where there is none.

    ``better`` is more than its argument where that is too small, less where it is too large, and NaN where
    the network has no solution, which means too large: the larger the factor, the more a run draws and the
    lower the voltage at its end. One call is exact for constant-current loads. For loads in watts it
    overshoots, without bound near collapse. So a bracket is kept, and a proposal outside it, and every third
    proposal, is replaced by the bracket's middle (bisection).
    """
    factor = np.ones(len(possible))
    low, high = np.full(len(possible), -1.0), np.full(len(possible), np.inf)
    reached = np.zeros(len(possible), np.bool_)  # a factor that is too large has a solution
    dead, settled = np.zeros(len(possible), np.bool_), ~possible
    for round_ in range(_ROUNDS):
        tried = better(factor)
        none = np.isnan(tried)
        dead |= none & (factor <= least) & ~settled
        settled |= dead | (np.abs(tried - factor) <= _EQUAL * factor)
        settled |= ((factor >= most) & (tried > factor)) | ((factor <= least) & (tried < factor))
        low = np.where(tried > factor, np.maximum(low, factor), low)
        high = np.where(none | (tried < factor), np.minimum(high, factor), high)
        reached |= tried < factor
        if (settled | (high - low <= _EQUAL * factor)).all():
            break
        middle = (np.maximum(low, least) + np.minimum(high, most)) / 2
        # without any solution yet, the least factor says whether there is one
        middle = np.where(none & (low < 0), least, middle)
        proposed = np.clip(tried, least, most)
        sound = (proposed > low) & (proposed < high) & (round_ % 3 < 2)
        factor = np.where(settled, factor, np.where(sound, proposed, middle))
    # a bracket that closed on the factor of collapse holds no fixed point
    return np.where(dead | (~settled & ~reached), np.nan, factor)
