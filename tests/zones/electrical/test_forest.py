"""Checking and sorting the shape of trees."""

import numpy as np
import pytest

from zones.electrical.forest import Forest


@pytest.mark.parametrize(
    ("parent", "tree", "message"),
    [
        ([0], [0], r"parent\[0\] closes a cycle of 1: 0 → 0"),
        ([-1, 2, 1], [0, 0, 0], r"closes a cycle of 2: (1 → 2 → 1|2 → 1 → 2)"),
        ([1, 2, 3, 1], [0, 0, 0, 0], r"closes a cycle of 3"),
        ([-1, 2], [0, 0], r"parent\[1\] is 2: expected -1 to 1"),
        ([-2], [0], r"parent\[0\] is -2"),
        ([-1, -1], [0, -1], r"tree\[1\] is -1: expected 0 to 0"),
        ([-1, 0], [0, 1], r"parent\[1\] is 0, which is in tree 0: expected a point of tree 1"),
        ([-1, 0], [0], r"parent has 2 entries and tree has 1"),
        ([-1.0], [0], r"parent: expected whole numbers"),
        ([[-1]], [[0]], r"parent: expected whole numbers in one dimension"),
        ([True], [0], r"parent: expected whole numbers"),
    ],
)
def test_a_shape_that_is_not_a_tree_is_refused(parent: list[int], tree: list[int], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        Forest.build(parent, tree)


def test_a_long_cycle_is_named_in_short() -> None:
    n = 1000
    with pytest.raises(ValueError, match=r"closes a cycle of 1000: .* … → ") as refusal:
        Forest.build((np.arange(n) + 1) % n, np.zeros(n, dtype=int))
    assert len(str(refusal.value)) < 200


def test_a_tree_index_beyond_the_count_is_refused() -> None:
    with pytest.raises(ValueError, match=r"tree\[0\] is 3: expected 0 to 1"):
        Forest.build([-1], [3], 2)


def test_levels_hold_each_node_once_below_its_parent() -> None:
    #   0 ─ 3 ─ 1      tree 0, given children first
    #     └ 2
    #   4              tree 1
    forest = Forest.build([-1, 3, 0, 0, -1], [0, 0, 0, 0, 1], 2)
    assert sorted(forest.node.tolist()) == list(range(7))
    levels = forest.levels
    level_of = np.searchsorted(levels.bounds, np.arange(7), side="right") - 1
    for position, above in enumerate(levels.parent.tolist()):
        if above >= 0:
            assert level_of[position] == level_of[above] + 1
            assert levels.tree[position] == levels.tree[above]
        else:
            assert level_of[position] == 0
    sums = np.ones(7)
    levels.add_to_parents(sums)
    by_node = dict(zip(forest.node.tolist(), sums.tolist(), strict=True))
    assert by_node == {0: 4.0, 1: 1.0, 2: 1.0, 3: 2.0, 4: 1.0, 5: 5.0, 6: 2.0}


def test_a_shape_does_not_change_with_the_arrays_it_was_made_of() -> None:
    parent = np.array([-1, 0])
    forest = Forest.build(parent, np.zeros(2, dtype=int))
    parent[1] = -1
    assert forest.parent.tolist() == [-1, 0]
