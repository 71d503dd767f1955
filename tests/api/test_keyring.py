"""Keys are made once, even by two at once, for their owner alone; and one that others may have written is
refused, run by root and by an ordinary user."""

import os
import secrets
import shutil
import stat
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from api import keyring
from tests.api.database.conftest import make_folder
from tests.api.test_settings import FIELD_KEY, PRODUCTION, ROOT, read

ORDINARY_USER, ANOTHER = 1, 2  # every Debian has them: daemon and bin


def test_what_is_there_is_kept(tmp_path: Path) -> None:
    first = keyring.read_or_make(tmp_path / "key", secrets.token_hex)
    assert keyring.read_or_make(tmp_path / "key", secrets.token_hex) == first


def test_of_two_makers_the_first_ones_counts_for_both(tmp_path: Path) -> None:
    path = tmp_path / "key"

    def make_while_another_does() -> str:
        path.write_text("the other's\n")
        return "mine"

    assert keyring.read_or_make(path, make_while_another_does) == "the other's"
    assert [found.name for found in tmp_path.iterdir()] == ["key"]


Reader = Callable[[Path], subprocess.CompletedProcess[str]]
READ = """
import sys; sys.path.insert(0, sys.argv[1])
from pathlib import Path
import keyring
print(keyring.read_or_make(Path(sys.argv[2]), lambda: "made"))
"""


@pytest.fixture(params=["root", "an ordinary user"])
def folder_and_reader(request: pytest.FixtureRequest) -> Iterator[tuple[Path, int, Reader]]:
    """A folder of a user's, the user's id, and a way to read a key as them."""
    folder = make_folder()
    me = os.geteuid()
    user = {"root": 0, "an ordinary user": me or ORDINARY_USER}[request.param]
    if user != me and me:
        shutil.rmtree(folder)
        pytest.skip("only root can run a process as another user")
    shutil.copy(ROOT / "api" / "keyring.py", folder)
    os.chown(folder, user, -1)
    # This Python may lie in root's home, where others cannot reach it
    python = sys.executable if user == me else "/usr/bin/python3"

    def run(path: Path) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [python, "-c", READ, str(folder), str(path)],
            user=user, extra_groups=[] if me == 0 else None, cwd="/", capture_output=True, text=True,
            check=False,
        )  # fmt: skip

    yield folder, user, run
    shutil.rmtree(folder)


def test_a_key_is_made_for_its_owner_alone(folder_and_reader: tuple[Path, int, Reader]) -> None:
    folder, user, run = folder_and_reader
    assert run(folder / "key").stdout == "made\n"
    found = (folder / "key").stat()
    assert (found.st_uid, stat.S_IMODE(found.st_mode)) == (user, 0o600)


@pytest.mark.parametrize(
    ("owner", "mode", "refused"),
    [
        ("reader", 0o600, None),
        ("reader", 0o644, None),
        ("root", 0o444, None),
        ("root", 0o440, None),
        ("reader", 0o602, "can be written by others than its owner: chmod go-w it."),
        ("reader", 0o660, "can be written by others than its owner: chmod go-w it."),
        ("root", 0o464, "can be written by others than its owner: chmod go-w it."),
        ("another", 0o644, f"belongs to the user {ANOTHER}. It must belong to the user"),
    ],
)
def test_a_key_that_others_may_have_written_is_refused(
    owner: str, mode: int, refused: str | None, folder_and_reader: tuple[Path, int, Reader]
) -> None:
    folder, user, run = folder_and_reader
    uid = {"reader": user, "root": 0, "another": ANOTHER}[owner]
    if os.geteuid() and uid != os.geteuid():
        pytest.skip("only root can give a file to another")
    key = folder / "key"
    key.write_text("given\n")
    os.chown(key, uid, -1)
    key.chmod(mode)
    ended = run(key)
    if refused is None:
        assert ended.stdout == "given\n", ended.stderr
    else:
        assert (ended.returncode, ended.stdout) == (1, "")
        assert refused in ended.stderr


@pytest.mark.parametrize("variable", ["ZONEBOOK_SECRET_KEY", "ZONEBOOK_FIELD_KEYS", "DATABASE_URL"])
def test_a_secret_comes_from_a_file(variable: str, tmp_path: Path) -> None:
    file = tmp_path / "secret"
    file.write_text(PRODUCTION[variable] + "\n")
    given = {**PRODUCTION, variable: "", f"{variable}_FILE": str(file)}
    of_it = {"ZONEBOOK_SECRET_KEY": "SECRET_KEY", "ZONEBOOK_FIELD_KEYS": "FIELD_KEYS[0]"}
    shown = f"settings.{of_it.get(variable, 'SERVICE_ROLE')}"
    expected = "service" if variable == "DATABASE_URL" else PRODUCTION[variable]
    answer = read(shown, tmp_path, **given)
    assert answer.stdout == f"{expected}\n", answer.stderr


@pytest.mark.parametrize(
    ("content", "mode", "beside", "said"),
    [
        (FIELD_KEY, 0o646, {}, "ZONEBOOK_FIELD_KEYS_FILE: {file} can be written by others than its owner"),
        (FIELD_KEY, 0o600, {"ZONEBOOK_FIELD_KEYS": FIELD_KEY}, "ZONEBOOK_FIELD_KEYS_FILE are both set"),
        ("\n", 0o600, {}, "ZONEBOOK_FIELD_KEYS_FILE: {file} is empty"),
        (None, 0o600, {}, "No such file or directory: '{file}'"),
    ],
    ids=["others may write it", "set beside it", "empty", "not there"],  # the key is another each time
)
def test_what_is_wrong_with_a_file_is_named(
    content: str | None, mode: int, beside: dict[str, str], said: str, tmp_path: Path
) -> None:
    file = tmp_path / "secret"
    if content is not None:
        file.write_text(content)
        file.chmod(mode)
    given = {**PRODUCTION, "ZONEBOOK_FIELD_KEYS": "", "ZONEBOOK_FIELD_KEYS_FILE": str(file), **beside}
    answer = read("0", tmp_path, **given)
    assert "ImproperlyConfigured" in answer.stderr
    assert said.format(file=file) in answer.stderr
    assert FIELD_KEY not in answer.stderr


def test_a_data_folder_that_everybody_may_write_is_refused(tmp_path: Path) -> None:
    tmp_path.chmod(0o777)
    answer = read("settings.SECRET_KEY", tmp_path)
    assert answer.returncode == 1
    assert f"{tmp_path} can be written by everybody" in answer.stderr
