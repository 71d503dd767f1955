"""The core's docstrings: their examples hold, and they name every argument."""

from __future__ import annotations

import doctest
import importlib
import inspect
import pkgutil
import re
from collections.abc import Callable
from types import ModuleType
from typing import Any

import pytest

import sites.changes.steps
import zones.electrical

MODULES = [
    importlib.import_module(module.name)
    for module in pkgutil.walk_packages(zones.electrical.__path__, "zones.electrical.")
]
# Arguments that the docstring of the module explains for all of its functions
EXPLAINED_ELSEWHERE = {
    "plant",
    "members",
    "loads",
    "factors",
    "self",
    "cls",
    "everything",
    "wiring",
    "network",
}


@pytest.mark.parametrize("module", [*MODULES, sites.changes.steps], ids=lambda module: module.__name__)
def test_examples_hold(module: ModuleType) -> None:
    result = doctest.testmod(module)
    assert result.failed == 0


def test_there_are_examples() -> None:
    finder = doctest.DocTestFinder()
    assert sum(len(found.examples) for module in MODULES for found in finder.find(module)) >= 25


def _public_functions() -> list[tuple[str, Callable[..., Any]]]:
    return [
        (f"{module.__name__}.{name}", function)
        for module in MODULES
        for name, function in inspect.getmembers(module, inspect.isfunction)
        if function.__module__ == module.__name__ and not name.startswith("_")
    ]


@pytest.mark.parametrize("function", [pytest.param(f, id=name) for name, f in _public_functions()])
def test_docstring_names_every_argument(function: Callable[..., Any]) -> None:
    text = inspect.getdoc(function)
    assert text, "no docstring"
    if len(inspect.signature(function).parameters) == 1 and len(text) > 20:
        return  # its one argument is what the sentence is about
    missing = [
        name
        for name in inspect.signature(function).parameters
        if name not in EXPLAINED_ELSEWHERE and not re.search(rf"\b{name}\b", text)
    ]
    assert not missing, f"says nothing of {', '.join(missing)}"
