"""manage.py: `--data` reaches the settings of every command."""

import importlib.util
import os
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="module")
def manage() -> ModuleType:
    spec = importlib.util.spec_from_file_location("manage", ROOT / "manage.py")
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize(
    ("given", "left", "folder"),
    [
        (["migrate"], ["migrate"], None),
        (["migrate", "--data", "/d", "-v", "2"], ["migrate", "-v", "2"], "/d"),
        (["--data=/d", "demo", "--check"], ["demo", "--check"], "/d"),
        (["dbshell", "--", "--data", "/d"], ["dbshell", "--", "--data", "/d"], None),
        (["loaddata", "--database", "owner"], ["loaddata", "--database", "owner"], None),
    ],
)
def test_the_data_folder_is_taken_out(
    manage: ModuleType, given: list[str], left: list[str], folder: str | None
) -> None:
    assert manage.take_data_folder(given) == (left, folder)


@pytest.mark.parametrize("words", [["--data"], ["--data="], ["--data", "-v"]])
def test_a_missing_folder_is_named(manage: ModuleType, words: list[str]) -> None:
    with pytest.raises(SystemExit, match="--data expects a folder"):
        manage.take_data_folder(["migrate", *words])


def test_help_says_so(tmp_path: Path) -> None:
    said = subprocess.run(
        [sys.executable, ROOT / "manage.py", "migrate", "--help", "--data", tmp_path],
        env={"PATH": os.environ["PATH"]},
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    assert "every command also takes --data DIR" in said
    assert (tmp_path / "secret-key").is_file()


def test_output_that_nobody_reads_ends_it_without_a_word(tmp_path: Path) -> None:
    reads, writes = os.pipe()
    os.close(reads)
    try:
        ended = subprocess.run(
            [sys.executable, ROOT / "manage.py", "migrate", "--help", "--data", tmp_path],
            env={"PATH": os.environ["PATH"]},
            stdout=writes,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    finally:
        os.close(writes)
    assert (ended.returncode, ended.stderr) == (141, "")


def test_what_a_person_can_put_right_is_said_in_a_line(tmp_path: Path) -> None:
    (tmp_path / "database" / "cluster").mkdir(parents=True)
    (tmp_path / "database" / "cluster" / "PG_VERSION").write_text("9\n")
    command = [sys.executable, str(ROOT / "manage.py"), "migrate", "--data", str(tmp_path)]
    for variables, said in (
        ({}, f"manage.py: error: The database in {tmp_path}/database was written by PostgreSQL 9"),
        ({"ZONEBOOK_ENVIRONMENT": "live"}, "manage.py: error: ZONEBOOK_ENVIRONMENT=live: expected local"),
    ):
        answer = subprocess.run(
            command,
            env={"PATH": os.environ["PATH"], **variables},
            capture_output=True,
            text=True,
            check=False,
        )
        assert answer.returncode == 1
        assert answer.stderr.startswith(said)
