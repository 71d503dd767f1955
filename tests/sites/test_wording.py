"""The examples in the docstrings hold."""

from __future__ import annotations

import doctest

from sites import wording
from zones import pair_colours


def test_the_examples_hold() -> None:
    for module in (wording, pair_colours):
        result = doctest.testmod(module)
        assert result.attempted
        assert not result.failed
