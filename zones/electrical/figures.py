"""Figures in the making: each family of computations returns blocks of them; ``evaluate`` joins and judges
them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .bands import FloatArray, IntArray
from .subjects import SubjectKind


@dataclass(frozen=True)
class FigureBlock:
    """Rows of one code. member, subject (index by kind), group: (n,); low, likely, high, limit: (n,) [unit of
    the code], NaN not known; detail: (n,) id of what decides (a point, a row, a reading), −1 none; supported:
    (n,) share of the load on measured or marked data, NaN where that means nothing."""

    code: str
    subject_kind: SubjectKind
    member: IntArray
    subject: IntArray
    group: IntArray
    low: FloatArray
    likely: FloatArray
    high: FloatArray
    limit: FloatArray
    detail: IntArray
    supported: FloatArray

    @classmethod
    def of(
        cls,
        code: str,
        subject_kind: SubjectKind,
        *,
        member: IntArray,
        subject: IntArray,
        group: IntArray,
        bands: FloatArray,
        limit: FloatArray | float,
        detail: IntArray | None = None,
        supported: FloatArray | None = None,
    ) -> FigureBlock:
        """A block from banded figures (3, n); a limit may be one number for all."""
        count = len(member)
        return cls(
            code,
            subject_kind,
            member,
            subject,
            group,
            bands[0],
            bands[1],
            bands[2],
            np.broadcast_to(np.asarray(limit, float), (count,)).copy(),
            np.full(count, -1) if detail is None else detail,
            np.full(count, np.nan) if supported is None else supported,
        )


@dataclass(frozen=True)
class Problem:
    """Something that cannot be computed: member (number), subject kind and index, and the code of why."""

    member: int
    subject_kind: SubjectKind
    subject: int
    reason: str


def share(part: FloatArray, whole: FloatArray) -> FloatArray:
    """part / whole; NaN where there is nothing."""
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(whole > 0, part / np.where(whole > 0, whole, 1.0), np.nan)


def sums(owner: IntArray, values: FloatArray, count: int) -> FloatArray:
    """Sum ``values`` (…, n) by owner 0..count−1: (…, count)."""
    if values.ndim == 1:
        return np.bincount(owner, values, minlength=count).astype(float)
    return np.stack([np.bincount(owner, v, minlength=count) for v in values])


def extremes(owner: IntArray, values: FloatArray, count: int, *, largest: bool) -> FloatArray:
    """(3, count) largest or smallest of ``values`` (3, n) by owner; −inf or +inf where an owner has none.

    NaN never counts.
    """
    out = np.full((len(values), count), -np.inf if largest else np.inf)
    for band, of_band in zip(out, values, strict=True):
        (np.fmax if largest else np.fmin).at(band, owner, of_band)
    return out
