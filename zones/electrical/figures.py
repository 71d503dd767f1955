"""Blocks of figures, as each family of computations returns them, and the array functions that make them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import repeat
from typing import Any, Self, TypeVar

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
        overloaded: BoolArray | bool = False,
        bound: BoolArray | bool = False,
        supported: FloatArray | float = np.nan,
        keep: BoolArray | None = None,
    ) -> FigureBlock:
        """The figures of one code, of the subjects that ``keep`` chooses or of all.

        bands, limit, detail, overloaded, bound: (3, n) by estimate, or (n,) or one for all where they are the
        same in all three. supported: (n,), or one for all.
        """
        chosen = np.arange(len(self.member)) if keep is None else np.flatnonzero(keep)
        subjects, count = self.only(chosen), len(chosen)

        def of_chosen(values: Any, shape: tuple[int, ...], kind: type) -> Any:
            out: Any = np.empty(shape, kind)  # many values are one for all: broadcasting them costs more
            out[...] = values.take(chosen, -1) if np.ndim(values) else values
            return out

        return FigureBlock(
            code,
            subjects,
            bands=of_chosen(bands, (3, count), float),
            limit=of_chosen(limit, (3, count), float),
            detail=of_chosen(detail, (3, count), int),
            overloaded=of_chosen(overloaded, (3, count), bool),
            bound=of_chosen(bound, (3, count), bool),
            supported=of_chosen(supported, (count,), float),
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

    def only(self, kept: BoolArray | IntArray) -> Self:
        """Some of them. kept: (n,), or (k,) positions."""
        return replace(self, member=self.member[kept], index=self.index[kept], group=self.group[kept])

    def problems(self, where: BoolArray, reason: str) -> list[Problem]:
        """Problems of the subjects that cannot be computed. where: (n,)."""
        members, indices = self.member[where].tolist(), self.index[where].tolist()
        return [*map(Problem, members, repeat(self.kind), indices, repeat(reason))]


@dataclass(frozen=True)
class FigureBlock:
    """Figures of one code of n subjects. bands, limit: (3, n) [unit of the code], NaN not known; detail:
    (3, n) id of what decides that estimate (a point, a row, a reading), −1 none; overloaded: (3, n) there is
    no stable solution, so no number, and it is past; bound: (3, n) the true figure may be harsher than the
    number; supported: (n,) share of the load on measured or marked data, NaN where that means nothing."""

    code: str
    subjects: Subjects
    bands: FloatArray
    limit: FloatArray
    detail: IntArray
    overloaded: BoolArray
    bound: BoolArray
    supported: FloatArray

    def only(self, kept: BoolArray) -> Self:
        """The figures of some of the subjects. kept: (n,)."""
        banded = {name: getattr(self, name)[:, kept] for name in ("bands", "limit", "detail")}
        flags = {name: getattr(self, name)[:, kept] for name in ("overloaded", "bound")}
        return replace(
            self, subjects=self.subjects.only(kept), supported=self.supported[kept], **banded, **flags
        )


@dataclass(frozen=True)
class Problem:
    """Something that cannot be computed: member (number), subject kind and index, and the code of why."""

    member: int
    subject_kind: SubjectKind
    subject: int
    reason: str


def lookup(values: Values, index: IntArray) -> Values:
    """``values`` (k,) at ``index`` (any shape); where the index is −1: NaN, −1 or False, by the type of the
    values.

    >>> lookup(np.array([0.5, 0.25]), np.array([1, -1])).tolist()
    [0.25, nan]
    """
    missing = {"f": np.nan, "i": -1, "b": False}[values.dtype.kind]
    found: Values = np.append(values, missing)[index]
    return found


def lookup_each(values: FloatArray, index: IntArray) -> FloatArray:
    """``values`` (3, k) at ``index`` (3, n), each row in its own; NaN where the index is −1."""
    return np.stack([lookup(of_band, at) for of_band, at in zip(values, index, strict=True)])


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


def any_in_each(owner: IntArray, true: BoolArray, count: int) -> BoolArray:
    """(3, count) True for each owner that has an entry where ``true`` (3, n) holds, in each estimate."""
    if not true.any():
        return np.zeros((3, count), np.bool_)
    return np.stack([any_of(owner, of_band, count) for of_band in true])


def extremes(owner: IntArray, values: FloatArray, count: int, *, largest: bool) -> FloatArray:
    """(3, count) ``largest`` or smallest of ``values`` (3, n) by owner; NaN never chosen, and where there is
    none."""
    out = np.full((len(values), count), np.nan)
    for band, of_band in zip(out, values, strict=True):
        (np.fmax if largest else np.fmin).at(band, owner, of_band)
    return out
