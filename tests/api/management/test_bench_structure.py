"""`manage.py bench structure` counts what it says it counts, and prints a row of each figure."""

from __future__ import annotations

import json
from pathlib import Path

import grimp
import pytest
from django.db import connection

from sites.changes.steps import step_of
from tests import factories
from tests.bench import structure


def test_lines_are_those_of_code_or_of_migrations_and_never_of_tests(tmp_path: Path) -> None:
    for name, count in {
        "manage.py": 1, "sites/models.py": 2, "sites/migrations/0001_sites.py": 4,
        "tests/upgrades/migrations/0001_made_up.py": 8, "sites/tests/test_sites.py": 16, ".venv/lib.py": 32,
        "sites/notes.txt": 64,
    }.items():  # fmt: skip
        file = tmp_path / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text("x\n" * count)
    assert structure.lines(structure.code_files(tmp_path)) == 1 + 2
    assert structure.lines(structure.migration_files(tmp_path)) == 4


def test_a_file_names_a_fact_by_its_whole_word(tmp_path: Path) -> None:
    files = [tmp_path / name for name in ("whole.py", "part.py")]
    for file, text in zip(files, ("point.dc_pairs = 2\n", "dc_pairs_low = old_dc_pairs\n"), strict=True):
        file.write_text(text)
    assert structure.naming("dc_pairs", files) == [files[0]]


def test_circles_are_groups_of_modules_that_import_each_other() -> None:
    graph = _graph("a b", "b c", "c a", "c d", "d e", "e d", "e f")
    assert structure.circles(graph) == ["a b c", "d e"]
    assert structure.circles(_graph("a b", "b c")) == []


def test_arrows_up_are_what_a_layer_contract_refuses_and_what_it_excuses() -> None:
    graph = _graph(
        "top low", "low way", "way top", "left right", "right low", "low deep", "deep left", "free top"
    )
    contract = {
        "type": "layers", "layers": ["top", "(left) | (right)", "low", "deep"],
        "ignore_imports": ["deep -> left"],
    }  # fmt: skip
    assert structure.arrows_up(graph, [contract, {"type": "forbidden"}]) == [
        "deep -> left", "left -> right", "low -> way -> top",
    ]  # fmt: skip
    assert graph.direct_import_exists(importer="deep", imported="left")
    together = contract | {"layers": ["top", "left : right", "low", "deep"]}
    assert structure.arrows_up(graph, [together]) == ["deep -> left", "low -> way -> top"]


def _graph(*imports: str) -> grimp.ImportGraph:
    """A graph of modules: "a b" for a that imports b."""
    graph = grimp.ImportGraph()
    for one in imports:
        importer, imported = one.split()
        graph.add_import(importer=importer, imported=imported)
    return graph


def test_statements_own_functions_and_own_files_are_counted(db: None) -> None:
    def action() -> None:
        for order in (1, 2):
            step_of(factories.BUILT_ON, order)
            json.dumps([order])
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
            cursor.execute("SELECT 2")

    # step_of and the first_step_of that it calls
    assert structure.passed(action) == (2, 2, 1)


@pytest.mark.django_db(transaction=True)
def test_each_figure_has_a_row_with_its_goal(monkeypatch: pytest.MonkeyPatch) -> None:
    stated = [json.loads(str(row)) for row in structure.cases(structure.CASES, 0)]
    assert [row["case"] for row in stated] == [
        "lines", "migrations", "circles", "arrows", "dc_pairs", "speech_current_a",
        "post queries", "post functions", "post files",
        "recheck queries", "recheck functions", "recheck files",
        "load queries", "load functions", "load files",
    ]  # fmt: skip
    for row in stated:
        assert row["bench"] == "structure"
        assert row["met"] is (row["value"] <= row["goal"])
    of_case = {row["case"]: row["value"] for row in stated}
    for case in structure.PASSED:
        assert of_case[f"{case} queries"] > 0
        assert of_case[f"{case} functions"] >= of_case[f"{case} files"] > 0


@pytest.mark.parametrize(("value", "met"), [(14, True), (15, False)])
def test_a_figure_may_be_as_large_as_its_goal(value: int, met: bool) -> None:
    assert structure.figure("post queries", value, 14).met is met
