"""Blocks of figures, as each family of computations returns them, and the array functions that make them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import repeat
from typing import Self, TypeVar

import numpy as np

from .bands import FloatArray, IntArray
from .plant import BoolArray
from .subjects import SubjectKind

Values = TypeVar("Values", FloatArray, IntArray, BoolArray)


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
        bands: FloatArray | IntArray | BoolArray,
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
        return FigureBlock(
            code,
            self.only(chosen),
            bands=np.broadcast_to(np.asarray(bands, float), (3, count))[:, chosen],
            limit=np.broadcast_to(limit, (count,))[chosen].astype(float),
            detail=np.broadcast_to(detail, (count,))[chosen],
            supported=np.broadcast_to(supported, (count,))[chosen],
        )

    @classmethod
    def distinct(
        cls, kind: SubjectKind, member: IntArray, thing: IntArray, group: IntArray
    ) -> tuple[Self, IntArray]:
        """The distinct pairs of member and thing, sorted, and (n,) which pair each entry is, −1 none.

        member, thing, group: (n,) the group being that of the thing; an entry whose thing is −1 has no pair.
        """
        real = np.flatnonzero(thing >= 0)
        width = int(thing.max(initial=0)) + 1
        keys, first, pair = np.unique((member * width + thing)[real], return_index=True, return_inverse=True)
        of_entry = np.full(len(thing), -1)
        of_entry[real] = pair
        return cls(kind, keys // width, keys % width, group[real][first]), of_entry

    def only(self, kept: BoolArray | slice) -> Self:
        """Some of them. kept: (n,)."""
        return replace(self, member=self.member[kept], index=self.index[kept], group=self.group[kept])

    def problems(self, where: BoolArray, reason: str) -> list[Problem]:
        """That some of them cannot be computed. where: (n,)."""
        members, indices = self.member[where].tolist(), self.index[where].tolist()
        return [*map(Problem, members, repeat(self.kind), indices, repeat(reason))]


@dataclass(frozen=True)
class FigureBlock:
    """Figures of one code of n subjects. bands: (3, n) and limit: (n,) [unit of the code], NaN not known;
    detail: (n,) id of what decides (a point, a row, a reading), −1 none; supported: (n,) share of the load on
    measured or marked data, NaN where that means nothing."""

    code: str
    subjects: Subjects
    bands: FloatArray
    limit: FloatArray
    detail: IntArray
    supported: FloatArray


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
    bands = np.atleast_2d(values)
    place = owner + count * np.arange(len(bands))[:, None]
    total = np.bincount(place.ravel(), bands.ravel(), minlength=count * len(bands))
    return total.astype(float).reshape(*values.shape[:-1], count)


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
