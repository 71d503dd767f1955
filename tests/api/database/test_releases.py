"""The list of releases is true, and their migrations are as they were released."""

from __future__ import annotations

import inspect
import re
import subprocess
import tomllib
import zipfile
from collections.abc import Iterable, Mapping
from pathlib import Path

import pytest
from django.db.migrations.loader import MigrationLoader

from api.database.releases import RELEASES, Release, digest
from zones.electrical.evaluate import SOLVER_VERSION

ROOT = Path(__file__).resolve().parents[3]
FIRST_TO_UPGRADE_FROM = (0, 2, 0)
GIT = ["git", "-c", "safe.directory=*", "-C", str(ROOT)]


def migrations_up_to(loader: MigrationLoader, heads: Mapping[str, str]) -> list[Path]:
    """Our own files among the migrations that lead to these."""
    keys = {key for head in heads.items() for key in loader.graph.forwards_plan(head)}
    files = (Path(inspect.getfile(type(loader.graph.nodes[key]))) for key in keys)
    return [file for file in files if file.is_relative_to(ROOT) and "site-packages" not in file.parts]


def heads_now(loader: MigrationLoader) -> dict[str, str]:
    return dict(sorted(loader.graph.leaf_nodes()))


@pytest.fixture(scope="module")
def loader() -> MigrationLoader:
    return MigrationLoader(None)


@pytest.mark.parametrize("release", RELEASES, ids=lambda release: release.version)
def test_released_migrations_are_never_edited(release: Release, loader: MigrationLoader) -> None:
    assert digest(migrations_up_to(loader, release.heads)) == release.digest, (
        "databases have these migrations as they were released: add one instead. What was edited: "
        f"git diff {release.commit} -- '*/migrations' '*/sql_v*'"
    )


@pytest.mark.parametrize("release", RELEASES, ids=lambda release: release.version)
def test_the_code_of_a_release_has_these_migrations(
    release: Release, loader: MigrationLoader, tmp_path: Path
) -> None:
    code_of(release.commit, tmp_path)
    files = [tmp_path / file.relative_to(ROOT) for file in migrations_up_to(loader, release.heads)]
    assert digest(files, tmp_path) == release.digest
    of_release = {
        tmp_path / "/".join((app, "migrations", f"{head}.py")) for app, head in release.heads.items()
    }
    for head in of_release & set(files):
        assert head == max(head.parent.glob("[0-9]*.py")), "is not its last"


def code_of(commit: str, folder: Path) -> Path:
    """Unpack the code of a commit, out of the repository's history. Returns ``folder``."""
    known = subprocess.run([*GIT, "cat-file", "-e", f"{commit}^{{commit}}"], capture_output=True)
    if known.returncode:
        pytest.skip(f"needs the repository's history back to {commit}")
    archive = folder.with_suffix(".zip")
    subprocess.run([*GIT, "archive", f"--output={archive}", commit], check=True)
    with zipfile.ZipFile(archive) as packed:
        packed.extractall(folder)
    archive.unlink()
    return folder


def test_the_code_of_a_commit_is_unpacked(tmp_path: Path) -> None:
    folder = code_of("HEAD", tmp_path / "unpacked")
    shown = subprocess.run([*GIT, "show", "HEAD:manage.py"], check=True, capture_output=True)
    assert (folder / "manage.py").read_bytes() == shown.stdout


def test_the_solver_version_is_raised_once_where_figures_move(tmp_path: Path) -> None:
    """Raised twice between two releases, every figure would be computed twice; not at all, old ones stay."""
    of_release = code_of(RELEASES[-1].commit, tmp_path / "release") / "zones/electrical/evaluate.py"
    stated = re.search(r"^SOLVER_VERSION = (\d+)$", of_release.read_text(encoding="utf-8"), re.MULTILINE)
    assert stated is not None
    unreleased = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8").split("\n## ")[1]
    moves = unreleased.partition("### Figures that move")[2].partition("\n### ")[0]
    assert int(stated[1]) + (1 if moves else 0) == SOLVER_VERSION
    assert not moves or f"(solver version {SOLVER_VERSION})" in moves


def test_the_list_is_in_order() -> None:
    versions = [_numbers(release.version) for release in RELEASES]
    assert versions == sorted(set(versions))
    assert [release.day for release in RELEASES] == sorted(release.day for release in RELEASES)


def test_the_changelog_lists_each_release_and_the_project_has_the_version_of_the_last() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    changelog = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    unreleased, *dated = re.findall(r"^## (.+)$", changelog, re.MULTILINE)
    assert unreleased == "Unreleased"
    assert dated[0].split()[0] == project["version"]
    assert dated[: len(RELEASES)] == [f"{each.version} ({each.day})" for each in reversed(RELEASES)]
    older = [_numbers(heading.split()[0]) for heading in dated[len(RELEASES) :]]
    assert all(version < FIRST_TO_UPGRADE_FROM for version in older)


def _numbers(version: str) -> tuple[int, ...]:
    return tuple(map(int, version.split(".")))


def test_an_edit_of_a_migration_or_of_its_sql_is_seen(tmp_path: Path) -> None:
    package = tmp_path / "sites" / "changes" / "sql_v1"
    package.mkdir(parents=True)
    (package / "record.py").write_text("A = 1\n")
    migration = tmp_path / "0001_first.py"
    migration.write_text("from sites.changes.sql_v1 import record\n")
    digests = [digest([migration], tmp_path)]
    for file in (package / "record.py", migration):
        file.write_text(file.read_text() + "# edited\n")
        digests.append(digest([migration], tmp_path))
    assert len(set(digests)) == 3


def _entry(loader: MigrationLoader) -> Iterable[str]:
    heads = heads_now(loader)
    yield f"heads={heads!r},"
    yield f'digest="{digest(migrations_up_to(loader, heads))}",'


if __name__ == "__main__":
    import django

    django.setup()
    print("\n".join(_entry(MigrationLoader(None))))
