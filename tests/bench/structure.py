"""How much code there is, how much of it a request passes through, and which imports go in a circle or up.

Nothing is timed here. Each line is one figure with its goal; each figure comes from running or reading the
code as it stands.
"""

from __future__ import annotations

import copy
import datetime as dt
import json
import re
import sys
import tomllib
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from types import FrameType
from typing import Any

import grimp
import numpy as np
from django.db import connection
from django.test.utils import CaptureQueriesContext
from rest_framework.test import APIClient
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from sites.models.access import User
from tests import factories
from tests.halls import Hall, make_hall
from zones.recheck.sweep import sweep

NAME = "structure"
TOGETHER = True
ROOT = Path(__file__).resolve().parents[2]
COUNTED = ("queries", "functions", "files")
PASSED = {"post": (14, 90, 22), "recheck": (36, 240, 36), "load": (12, 120, 26)}
"""Goals for what one point more passes through, then the recheck of its site, then a zone's load today."""
NAMED = {"dc_pairs": 6, "speech_current_a": 7}
READ = ("lines", "migrations", "circles", "arrows", *NAMED)
"""Cases that are read from the files alone, without a database."""
CASES = (*READ, *PASSED)


@dataclass(frozen=True)
class Figure:
    """One row. met: whether the value is at most the goal; what: the things that were counted, if few."""

    bench: str
    case: str
    value: int
    goal: int
    met: bool
    what: Sequence[str]

    def __str__(self) -> str:
        return json.dumps(asdict(self))


def figure(case: str, value: int, goal: int, what: Sequence[str] = ()) -> Figure:
    return Figure(NAME, case, value, goal, value <= goal, what)


def cases(wanted: tuple[str, ...], _sites: int) -> Iterator[Figure]:
    for case in wanted:
        if case in READ:
            yield _read(case)
    passed = [case for case in wanted if case in PASSED]
    if passed:
        of_case = passages()
        for case in passed:
            for name, value, goal in zip(COUNTED, of_case[case], PASSED[case], strict=True):
                yield figure(f"{case} {name}", value, goal)


def _read(case: str) -> Figure:
    if case == "lines":
        return figure(case, lines(code_files(ROOT)), 35_000)
    if case == "migrations":
        return figure(case, lines(migration_files(ROOT)), 2_500)
    if case in NAMED:
        files = naming(case, code_files(ROOT))
        return figure(case, len(files), NAMED[case], [str(file.relative_to(ROOT)) for file in files])
    linter = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"]
    graph = grimp.build_graph(*linter["root_packages"], cache_dir=None)
    found = circles(graph) if case == "circles" else arrows_up(graph, linter["contracts"])
    return figure(case, len(found), 0, found)


# --- what the files hold
# ------------------------------------------------------------------------------------------------------


@cache
def _python_files(root: Path) -> tuple[Path, ...]:
    """Every Python file below `root`, but for tests and what lies in a hidden folder."""
    found = []
    for file in sorted(root.rglob("*.py")):
        folders = file.relative_to(root).parts[:-1]
        if "tests" not in folders and not any(folder.startswith(".") for folder in folders):
            found.append(file)
    return tuple(found)


def code_files(root: Path) -> list[Path]:
    return [file for file in _python_files(root) if file.parent.name != "migrations"]


def migration_files(root: Path) -> list[Path]:
    return [file for file in _python_files(root) if file.parent.name == "migrations"]


def lines(files: Collection[Path]) -> int:
    return sum(file.read_bytes().count(b"\n") for file in files)


def naming(word: str, files: Collection[Path]) -> list[Path]:
    """The `files` that contain `word` as a whole word."""
    whole = re.compile(rf"\b{re.escape(word)}\b")
    return [file for file in files if whole.search(file.read_text())]


# --- what imports what
# --------------------------------------------------------------------------------------------------------


def circles(graph: grimp.ImportGraph) -> list[str]:
    """Groups of modules that import each other in a circle, as in "a b c"."""
    modules = sorted(graph.modules)
    at = {module: place for place, module in enumerate(modules)}
    imports = [
        (at[module], at[other])
        for module in modules
        for other in graph.find_modules_directly_imported_by(module)
    ]
    rows, columns = np.array(imports, dtype=int).reshape(-1, 2).T
    joined = coo_array((np.ones(len(rows)), (rows, columns)), shape=(len(modules), len(modules)))
    _, group_of = connected_components(joined, connection="strong")
    groups: dict[int, list[str]] = {}
    for module, group in zip(modules, group_of, strict=True):
        groups.setdefault(int(group), []).append(module)
    return [" ".join(group) for group in groups.values() if len(group) > 1]


def arrows_up(graph: grimp.ImportGraph, contracts: Sequence[dict[str, Any]]) -> list[str]:
    """Imports, direct or through others, from a lower layer of a contract to a higher one or to one beside
    it, as in "a -> b"; and each import that a layer contract ignores."""
    found = []
    for contract in contracts:
        if contract["type"] != "layers":
            continue
        without = copy.deepcopy(graph)
        for expression in contract.get("ignore_imports", ()):
            for excused in without.find_matching_direct_imports(expression):
                importer, imported = excused["importer"], excused["imported"]
                found.append(f"{importer} -> {imported}")
                without.remove_import(importer=importer, imported=imported)
        refused = without.find_illegal_dependencies_for_layers(
            layers=[_layer(layer) for layer in contract["layers"]],
            containers=set(contract.get("containers", ())) or None,
        )
        for dependency in refused:
            found += [
                " -> ".join((min(route.heads), *route.middle, min(route.tails)))
                for route in dependency.routes
            ]
    return sorted(found)


def _layer(written: str) -> grimp.Layer:
    """`(a) | (b)` stands for two independent siblings that may be missing, `a : b` for two that may import
    each other."""
    names = [name.strip(" ()") for name in re.split(r"[|:]", written)]
    return grimp.Layer(*names, independent=":" not in written)


# --- what a request passes through
# --------------------------------------------------------------------------------------------


def passages() -> dict[str, tuple[int, int, int]]:
    """What is counted (`COUNTED`) in a POST of one point to a run of 30 speakers, in the sweep that
    rechecks its site, and in the GET of its zone's load today.

    All three are done once before they are counted, so that modules are loaded and caches filled. The caller
    is set without a token or session, so authentication is not counted.
    """
    closet = factories.make_closet()
    hall = make_hall(closet, factories.make_block(closet))
    client = APIClient(headers={"Host": "localhost"})
    client.force_authenticate(factories.make_user(User.Role.MANAGER, all_customers=True))
    actions: dict[str, Callable[[], object]] = {
        "post": lambda: _post_point(client, hall),
        "recheck": sweep,
        "load": lambda: _get_load(client, hall),
    }
    sweep()
    for action in actions.values():
        action()
    return {case: passed(action) for case, action in actions.items()}


def _post_point(client: APIClient, hall: Hall) -> None:
    happened_on = factories.BUILT_ON + dt.timedelta(days=100)
    body = {
        "run_id": hall.run.pk,
        "after_id": hall.points[-1].pk,
        "model_id": hall.speaker.pk,
        "length_m": 7.5,
        "length_basis": "measured",
        "change": {"reason": "as agreed", "happened_on": happened_on.isoformat(), "job_reference": "LS-9"},
    }
    answer = client.post("/api/v1/points", body, format="json")
    if answer.status_code != 201:
        raise RuntimeError(f"the point was not made: {answer.content.decode()}")


def _get_load(client: APIClient, hall: Hall) -> None:
    answer = client.get(f"/api/v1/zones/{hall.zone.pk}/load")
    if answer.status_code != 200:
        raise RuntimeError(f"the load was not answered: {answer.content.decode()}")


def passed(action: Callable[[], object]) -> tuple[int, int, int]:
    """How many statements `action` sends to the database, how many own functions it enters, in how many
    files.

    Statements are all that Django's query log holds: BEGIN, COMMIT, SAVEPOINT, SET and COPY too. A function
    is counted by its file and name, so all lambdas of one file count once, and all its list comprehensions
    (which Python 3.12 and later never enter). Own files are those that the lines are counted in.
    """
    entered: set[tuple[str, str]] = set()

    def note(frame: FrameType, event: str, _argument: object) -> None:
        if event == "call":
            entered.add((frame.f_code.co_filename, frame.f_code.co_name))

    before = sys.getprofile()
    with CaptureQueriesContext(connection) as queries:
        sys.setprofile(note)
        try:
            action()
        finally:
            sys.setprofile(before)
    own_files = {str(file) for file in code_files(ROOT)}
    own = [(file, name) for file, name in entered if file in own_files]
    return len(queries), len(own), len({file for file, _name in own})
