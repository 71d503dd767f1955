"""Which things can bear on each other on some day, and from when to when rows hold. Arrays only, no
database."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from zones.electrical.bands import IntArray
from zones.electrical.plant import FOREVER, BoolArray


def components(count: int, joints: Iterable[tuple[IntArray, IntArray]]) -> IntArray:
    """(count,) by node the lowest node that it is joined with, through however many others.

    joints: pairs of (k,) arrays of nodes that belong together; pairs with −1 on either side join nothing.

    Labels sink along the joints, and every label is then replaced by its own label's until nothing moves:
    halving paths, so a chain of n costs some log n rounds.

    >>> components(5, [(np.array([0, 3, 4]), np.array([1, 4, -1]))]).tolist()
    [0, 0, 2, 3, 3]
    """
    both = [np.stack(pair) for pair in joints]
    one, other = np.concatenate([np.zeros((2, 0), np.int64), *both], axis=1)
    real = (one >= 0) & (other >= 0)
    one, other = one[real], other[real]
    label = np.arange(count)
    while True:
        lowest = np.minimum(label[one], label[other])
        sunk = label.copy()
        # the nodes' own labels sink, and those of the roots they had: or a component would part from its root
        for nodes in (one, other, label[one], label[other]):
            np.minimum.at(sunk, nodes, lowest)
        while not np.array_equal(sunk, jumped := sunk[sunk]):
            sunk = jumped
        if np.array_equal(sunk, label):
            return label
        label = sunk


def spans(
    thing: IntArray, step: IntArray, first_step: IntArray, last_step: IntArray
) -> tuple[IntArray, IntArray, BoolArray]:
    """When rows of dated facts hold: from their step until the thing's next row, and only while it stands.

    thing, step, first_step, last_step: (n,) of each row; a thing stands from its first step until before its
    last. Returns begin, end and whether the row ever holds, (n,) each, in the order given.

    >>> begin, end, holds = spans(np.array([7, 7, 8]), np.array([20, 10, 10]), np.full(3, 10), np.full(3, 30))
    >>> begin.tolist(), end.tolist(), holds.all().item()
    ([20, 10, 10], [30, 20, 30], True)
    """
    order = np.lexsort((step, thing))
    following = np.full(len(thing), FOREVER)
    alike = thing[order][1:] == thing[order][:-1]
    following[order[:-1]] = np.where(alike, step[order][1:], FOREVER)
    begin, end = np.maximum(step, first_step), np.minimum(following, last_step)
    return begin, end, begin < end


def place_of(ids: IntArray, wanted: IntArray) -> IntArray:
    """(n,) where each of ``wanted`` stands in ``ids`` (ascending); −1 where it does not.

    >>> place_of(np.array([4, 9]), np.array([9, -1, 5])).tolist()
    [1, -1, -1]
    """
    if not len(ids):
        return np.full(len(wanted), -1)
    place = np.minimum(np.searchsorted(ids, wanted), len(ids) - 1)
    return np.where(ids[place] == wanted, place, -1)
