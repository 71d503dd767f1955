"""`manage.py database`: out of one embedded database and into another, also of another major version."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from api.database import programs
from tests.api.database.conftest import ROOT


def manage(data_dir: Path, *words: str, **variables: str) -> subprocess.CompletedProcess[str]:
    kept = {
        name: value for name, value in os.environ.items() if not name.startswith(("DATABASE_", "ZONEBOOK_"))
    }
    return subprocess.run(
        [sys.executable, ROOT / "manage.py", *words, "--data", data_dir],
        env=kept | {"DJANGO_SETTINGS_MODULE": "api.settings"} | variables,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.fixture
def folders(data_dir: Path) -> tuple[Path, Path, Path]:
    """A data folder to dump, one to load into, and the file in between."""
    return data_dir, data_dir.with_name("new"), data_dir.with_name("all.dump")


def test_the_address_is_one_that_psql_takes(data_dir: Path) -> None:
    said = manage(data_dir, "database", "address")
    assert said.stdout.startswith(f"host={data_dir}/database/socket port=5432 dbname=zonebook"), said.stderr


def older_programs() -> Path | None:
    """A system PostgreSQL of an older major version than the wheel's."""
    newest, *others = programs.candidates()
    return next((found.folder for found in others if found.major < newest.major), None)


def test_data_is_carried_over(folders: tuple[Path, Path, Path]) -> None:
    old, new, file = folders
    older = older_programs()
    variables = {programs.OVERRIDE: str(older)} if older else {}
    assert manage(old, "migrate", **variables).returncode == 0
    if older:
        refused = manage(
            old, "database", "address", **{programs.OVERRIDE: str(next(programs.candidates()).folder)}
        )
        assert f"was written by PostgreSQL {older.parent.name}" in refused.stderr
    assert manage(old, "database", "dump", str(file), **variables).returncode == 0
    loaded = manage(new, "database", "load", str(file))
    assert loaded.returncode == 0, loaded.stderr
    migrated = manage(new, "migrate")
    assert "No migrations to apply" in migrated.stdout, migrated.stderr
    again = manage(new, "database", "load", str(file))
    assert again.returncode != 0
    assert "tables already" in again.stderr


def test_a_missing_file_is_named(data_dir: Path) -> None:
    said = manage(data_dir, "database", "load", "nowhere.dump")
    assert said.returncode != 0
    assert "nowhere.dump: no such file" in said.stderr


def test_a_given_server_is_left_to_its_own_tools(data_dir: Path) -> None:
    said = manage(data_dir, "database", "dump", "x", DATABASE_URL="postgres://zonebook@127.0.0.1:1/zonebook")
    assert said.returncode != 0
    assert "pg_dump" in said.stderr
