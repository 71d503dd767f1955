"""How many histories are played: all with ``--long``, a twentieth of them without."""

from __future__ import annotations

import pytest

CHAPTERS = 20
"""Histories of 18 sites and some 600 change sets each."""


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    if "chapter" in metafunc.fixturenames:
        everything = metafunc.config.getoption("--long")
        metafunc.parametrize("chapter", range(CHAPTERS if everything else CHAPTERS // 20))
