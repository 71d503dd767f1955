"""`manage.py calculate`: its streams and exit status."""

import io
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from django.core.management import execute_from_command_line

ROOT = Path(__file__).resolve().parents[3]

TEN_SPEAKERS: dict[str, Any] = {
    "source": {"voltage_v": 24},
    "points": [
        {
            "id": f"speaker {number}",
            "parent": f"speaker {number - 1}" if number > 1 else None,
            "length_m": 10,
            "awg": 24,
            "load": {"current_a": 0.05},
        }
        for number in range(1, 11)
    ],
}
INFEASIBLE = {
    "source": {"voltage_v": 24},
    "points": [{"id": "horn", "parent": None, "loop_resistance_ohm": 10, "load": {"power_w": 14.5}}],
}


@pytest.fixture
def calculate(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Any:
    """Runs the command in this process, where no database may be asked."""

    def run(*arguments: str, standard_input: str = "") -> subprocess.CompletedProcess[str]:
        monkeypatch.chdir(tmp_path)
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(standard_input.encode())))
        status: Any = 0
        try:
            execute_from_command_line(["manage.py", "calculate", *arguments])
        except SystemExit as end:
            status = end.code
        said = capsys.readouterr()
        return subprocess.CompletedProcess(arguments, status, said.out, said.err)

    return run


def test_it_runs_where_no_database_is(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, ROOT / "manage.py", "calculate", written(tmp_path, TEN_SPEAKERS), "--json"],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        env={
            **os.environ,
            "DATABASE_URL": "postgres://nobody@127.0.0.1:1/nowhere",
            "ZONEBOOK_DATA": str(tmp_path / "data"),
            "DJANGO_SETTINGS_MODULE": "api.settings",
        },
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["feasible"] is True


def written(folder: Path, document: object) -> str:
    path = folder / "run.json"
    path.write_text(document if isinstance(document, str) else json.dumps(document))
    return str(path)


def test_json_alone_on_standard_output(calculate: Any, tmp_path: Path) -> None:
    done = calculate(written(tmp_path, TEN_SPEAKERS), "--json")
    assert done.returncode == 0
    assert done.stderr == ""
    said = json.loads(done.stdout)
    assert said["feasible"] is True
    assert said["source_current_a"] == pytest.approx(0.5)
    assert [point["id"] for point in said["points"]] == [f"speaker {number}" for number in range(1, 11)]
    # ngspice and a SciPy sparse solve; 1e-6.
    assert said["points"][0]["voltage_v"] == pytest.approx(23.157849, rel=1e-6)
    assert said["lowest"] == {"id": "speaker 10", "voltage_v": pytest.approx(19.368171, rel=1e-6)}


def test_a_table_by_default(calculate: Any, tmp_path: Path) -> None:
    document = json.loads(json.dumps(TEN_SPEAKERS).replace("speaker 3", "[b]speaker 3"))
    done = calculate(written(tmp_path, document))
    assert done.returncode == 0
    for text in ("Solved at 24 V", "voltage V", "23.158", "19.368", "[b]speaker 3", "0.0500", "0.5000"):
        assert text in done.stdout
    assert "Lowest: 19.368 V at speaker 10. Source: 0.5000 A." in done.stdout
    assert "licensed practice govern" in done.stdout


def test_a_table_too_long_to_read_holds_the_lowest_voltages(calculate: Any, tmp_path: Path) -> None:
    points = [
        {"id": f"n{number}", "parent": None, "length_m": number, "awg": 18, "load": {"current_a": 0.001}}
        for number in range(1, 1206)
    ]
    done = calculate(written(tmp_path, {"source": {"voltage_v": 24}, "points": points}))
    assert done.returncode == 0
    assert " n1205 " in done.stdout
    assert " n206 " in done.stdout
    assert " n205 " not in done.stdout
    assert "Points of higher voltage not shown: 205." in done.stdout


def test_a_dash_reads_standard_input(calculate: Any) -> None:
    done = calculate("-", "--json", standard_input=json.dumps(TEN_SPEAKERS))
    assert done.returncode == 0
    assert json.loads(done.stdout)["feasible"] is True


def test_a_run_without_a_solution_exits_3_and_says_why(calculate: Any, tmp_path: Path) -> None:
    file = written(tmp_path, INFEASIBLE)
    done = calculate(file, "--json")
    assert done.returncode == 3
    said = json.loads(done.stdout)
    assert said["feasible"] is False
    assert said["reason"] == "no_stable_solution"
    done = calculate(file)
    assert done.returncode == 3
    assert done.stdout.startswith("No solution. No voltages exist at which")


@pytest.mark.parametrize("option", [[], ["--json"]])
def test_bad_input_exits_2_and_names_every_place(calculate: Any, tmp_path: Path, option: list[str]) -> None:
    document = json.loads(json.dumps(TEN_SPEAKERS))
    document["points"][3]["length"] = document["points"][3].pop("length_m")
    document["points"][5]["parent"] = "speaker 7"
    document["points"][6]["parent"] = "speaker 6"
    done = calculate(written(tmp_path, document), *option)
    assert done.returncode == 2
    assert done.stdout == ""
    assert "points[3].length: unknown key, and no unit: did you mean length_m?" in done.stderr
    assert 'points[5].parent: closes a cycle of 2: "speaker 6" -> "speaker 7" -> "speaker 6"' in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{\n  'source': 1}", "not JSON: line 2, column 3"),
        ('{"source": {"voltage_v": NaN}, "points": []}', "source.voltage_v: is NaN"),
        ("", "nothing in it"),
    ],
)
def test_text_that_is_not_a_run_exits_2(calculate: Any, tmp_path: Path, text: str, said: str) -> None:
    done = calculate(written(tmp_path, text))
    assert done.returncode == 2
    assert said in done.stderr
    assert "Traceback" not in done.stderr


def test_a_file_that_cannot_be_read_exits_2(calculate: Any, tmp_path: Path) -> None:
    for path in (tmp_path / "absent.json", tmp_path):
        done = calculate(str(path))
        assert done.returncode == 2
        assert "expected a JSON file, or - for standard input" in done.stderr


def test_no_file_at_all_exits_2_and_help_shows_an_example(calculate: Any) -> None:
    assert calculate().returncode == 2
    done = calculate("--help")
    assert done.returncode == 0
    assert '{"source": {"voltage_v": 24' in done.stdout


def test_the_example_in_the_help_can_be_computed(calculate: Any) -> None:
    from zones.management.commands.calculate import EXPLANATION

    example = EXPLANATION[EXPLANATION.index("{") : EXPLANATION.rindex("}") + 1]
    done = calculate("-", "--json", standard_input=example)
    assert done.returncode == 0
    assert [point["id"] for point in json.loads(done.stdout)["points"]] == ["p1", "p2"]
