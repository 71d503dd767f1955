"""The examples in the docstrings of the words that sheets are made of."""

from __future__ import annotations

import doctest

from zones import pair_colours
from zones.visits import wording


def test_the_examples_hold() -> None:
    for module in (wording, pair_colours):
        result = doctest.testmod(module)
        assert result.attempted
        assert not result.failed
