"""Blocks of figures, as each family of computations returns them, and the array functions that make them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from .bands import FloatArray, IntArray
from .plant import BoolArray
from .subjects import SubjectKind

Values = TypeVar("Values", FloatArray, IntArray, BoolArray)


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


@dataclass(frozen=True)
class Subjects:
    """What figures are about: one kind, and (n,) member, index (by kind) and group."""

    kind: SubjectKind
    member: IntArray
    index: IntArray
    group: IntArray

    def figures(
        self,
        code: str,
        *,
        bands: FloatArray | IntArray,
        limit: FloatArray | float,
        detail: IntArray | int = -1,
        supported: FloatArray | float = np.nan,
        keep: BoolArray | None = None,
    ) -> FigureBlock:
        """The figures of one code, of the subjects that ``keep`` chooses or of all.

        bands: (3, n), or (n,) where the figure is certain. limit, detail, supported: (n,), or one for all.
        """
        count = len(self.member)
        chosen = slice(None) if keep is None else keep
        low, likely, high = np.broadcast_to(np.asarray(bands, float), (3, count))[:, chosen]
        return FigureBlock(
            code=code,
            subject_kind=self.kind,
            member=self.member[chosen],
            subject=self.index[chosen],
            group=self.group[chosen],
            low=low,
            likely=likely,
            high=high,
            limit=np.broadcast_to(limit, (count,))[chosen].astype(float),
            detail=np.broadcast_to(detail, (count,))[chosen],
            supported=np.broadcast_to(supported, (count,))[chosen],
        )


@dataclass(frozen=True)
class Problem:
    """Something that cannot be computed: member (number), subject kind and index, and the code of why."""

    member: int
    subject_kind: SubjectKind
    subject: int
    reason: str


def lookup(values: Values, index: IntArray) -> Values:
    """``values`` (k,) at ``index`` (n,); where the index is −1: NaN, −1 or False, by the type of the values.

    >>> lookup(np.array([0.5, 0.25]), np.array([1, -1])).tolist()
    [0.25, nan]
    """
    missing = {"f": np.nan, "i": -1, "b": False}[values.dtype.kind]
    found: Values = np.append(values, missing)[index]
    return found


def first_known(*values: FloatArray | float) -> FloatArray:
    """The first of ``values`` (n,) that is not NaN, or NaN.

    >>> first_known(np.array([np.nan, 2.0]), 1.0).tolist()
    [1.0, 2.0]
    """
    known, *others = values
    for other in others:
        known = np.where(np.isnan(known), other, known)
    return np.asarray(known)


def share(part: FloatArray, whole: FloatArray) -> FloatArray:
    """part / whole; NaN where the whole is zero."""
    out: FloatArray = np.full(whole.shape, np.nan)
    return np.divide(part, whole, out=out, where=whole > 0)


def sums(owner: IntArray, values: FloatArray, count: int) -> FloatArray:
    """Sum ``values`` (…, n) by owner 0..count−1: (…, count)."""
    if values.ndim == 1:
        return np.bincount(owner, values, minlength=count).astype(float)
    return np.stack([np.bincount(owner, v, minlength=count) for v in values])


def any_of(owner: IntArray, true: BoolArray, count: int) -> BoolArray:
    """(count,) True for each owner that has an entry where ``true`` (n,) holds."""
    return np.bincount(owner[true], minlength=count) > 0


def extremes(owner: IntArray, values: FloatArray, count: int, *, largest: bool) -> FloatArray:
    """(3, count) ``largest`` or smallest of ``values`` (3, n) by owner; NaN never chosen, and where there is
    none."""
    out = np.full((len(values), count), np.nan)
    for band, of_band in zip(out, values, strict=True):
        (np.fmax if largest else np.fmin).at(band, owner, of_band)
    return out
