"""How much an import takes, and what of a folder: held before anything is read, and while it is, in a child
process that the system ends where it takes too much."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import pytest
from django.db import connection

from sites.changes.errors import ChangeRefused, Problem
from sites.models import Site
from zones.asbuilt import files as reading
from zones.asbuilt import services
from zones.asbuilt.child import in_child
from zones.asbuilt.intake import Limits, content_of, files_of, limits
from zones.asbuilt.problems import place_of, sentence_of
from zones.asbuilt.resolving import Importer
from zones.asbuilt.services import import_files

from .folders import NOW, as_files, pier

IMPORTER = Importer("Mila Quay", NOW)
NOBODY = 65534


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name, content in as_files(pier()).items():
        (tmp_path / name).write_bytes(content)
    return tmp_path


def limit(settings: Any, **changed: int) -> None:
    settings.IMPORT_LIMITS = asdict(replace(limits(), **changed))


def refused(folder: Path) -> list[str]:
    files, problems = files_of(folder)
    if problems:
        return [sentence_of(problem) for problem in problems]
    with pytest.raises(ChangeRefused) as caught:
        import_files(files, IMPORTER)
    return [sentence_of(problem) for problem in caught.value.problems]


# --- before anything is read --------------------------------------------------------------------------------


def test_files_are_imported_from_where_they_lie(folder: Path, db: None) -> None:
    files, _ = files_of(folder)
    assert import_files(files, IMPORTER).written["points"] == 4
    assert Site.objects.get().code == "pier"


def test_a_folder_over_the_limit_is_refused_before_it_is_read(
    folder: Path, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def read(*_: object) -> None:
        raise AssertionError("a file is read")

    limit(settings, files_mib=3)
    monkeypatch.setattr(reading, "content_of", read)
    with (folder / "points.csv").open("ab") as file:
        file.truncate(2 * 2**20)
    with (folder / "runs.csv").open("ab") as file:
        file.truncate(2 * 2**20)
    (said,) = refused(folder)
    assert said.startswith("the files: hold 4 MiB together; expected 3 MiB at most: import them in parts")
    assert said.endswith("or raise ZONEBOOK_IMPORT_FILES_MIB")


def test_rows_are_counted_while_they_are_read(folder: Path, settings: Any) -> None:
    rows = sum(map(len, pier().values()))
    limit(settings, rows=rows - 1)
    (said,) = refused(folder)
    assert f"with this one the files have more than {rows - 1} rows" in said
    assert "ZONEBOOK_IMPORT_ROWS" in said


def test_as_many_rows_as_the_limit_are_taken(folder: Path, settings: Any, db: None) -> None:
    limit(settings, rows=sum(map(len, pier().values())))
    assert import_files(files_of(folder)[0], IMPORTER).rows == sum(map(len, pier().values()))


@pytest.fixture
def odd(folder: Path) -> Iterator[Path]:
    """A folder with one of everything that is no CSV file."""
    secret = folder.parent / "secret.csv"
    secret.write_text("site,name\npier,Deck\n")
    (folder / "zones.csv").unlink()
    (folder / "zones.csv").symlink_to(secret)
    (folder / "clips.csv").unlink()
    (folder / "clips.csv").mkdir()
    (folder / "tests.csv").unlink()
    os.mkfifo(folder / "tests.csv")
    for name in ("survey.xlsx", "all.zip", "README.md", ".zones.csv.part"):
        (folder / name).write_bytes(b"PK")
    (folder / "photographs").mkdir()
    yield folder
    secret.unlink()


def test_what_is_no_csv_file_is_named_and_the_rest_left_alone(odd: Path) -> None:
    files, problems = files_of(odd)
    assert not {"zones.csv", "clips.csv", "tests.csv", "README.md"} & set(files)
    assert {place_of(problem)[0]: problem.detail for problem in problems} == {
        "zones.csv": "is a symbolic link: put the file itself here",
        "clips.csv": "is a folder: expected a CSV file",
        "tests.csv": "is not a file: expected a CSV file",
        "survey.xlsx": "a spreadsheet cannot be read: save each sheet as CSV UTF-8",
        "all.zip": "an archive is not opened: unpack it",
    }


def test_a_file_that_became_a_link_meanwhile_is_not_followed(folder: Path) -> None:
    files, _ = files_of(folder)
    (folder / "zones.csv").rename(folder / "elsewhere")
    (folder / "zones.csv").symlink_to(folder / "elsewhere")
    with pytest.raises(ChangeRefused) as caught:
        import_files(files, IMPORTER)
    (problem,) = caught.value.problems
    assert sentence_of(problem).startswith("zones.csv: cannot be read: ")


def test_a_file_that_grew_meanwhile_is_read_no_further(folder: Path) -> None:
    most = replace(limits(), files_mib=1)
    with (folder / "points.csv").open("ab") as file:
        file.truncate(3 * 2**20)
    content, problems = content_of("points.csv", folder / "points.csv", most)
    assert len(content) == 2**20 + 1
    assert [problem.code for problem in problems] == ["too_large"]


def test_a_file_that_is_no_text_is_named(folder: Path) -> None:
    (folder / "zones.csv").write_bytes(b"PK\x03\x04" + bytes(range(256)) * 9)
    assert refused(folder) == ["zones.csv: is not text: save the sheet as CSV UTF-8"]


def test_a_file_that_may_not_be_read_is_named() -> None:
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o755)
        file = Path(name, "zones.csv")
        file.write_text("site,name\n")
        file.chmod(0)

        def said() -> str:
            (problem,) = content_of("zones.csv", file, limits())[1]
            return sentence_of(problem)

        assert of_nobody(said) == "zones.csv: cannot be read: Permission denied"


# --- in a child process -------------------------------------------------------------------------------------


def of_nobody(work: Callable[[], str]) -> str:
    """What ``work`` says when ``nobody`` runs it, or the user who runs the tests where that is not root."""
    reading_end, writing = os.pipe()
    pid = os.fork()
    if pid == 0:
        try:
            if os.geteuid() == 0:
                os.setgroups([])
                os.setgid(NOBODY)
                os.setuid(NOBODY)
            os.write(writing, work().encode())
        finally:
            os._exit(0)
    os.close(writing)
    with os.fdopen(reading_end, "rb") as pipe:
        said = pipe.read().decode()
    os.waitpid(pid, 0)
    return said


def takes_memory() -> str:
    return str(len(bytearray(200 * 2**20)))


def ended(work: Callable[[], object], most: Limits) -> Problem:
    with pytest.raises(ChangeRefused) as caught:
        in_child(work, most)
    (problem,) = caught.value.problems
    return problem


LITTLE = replace(Limits(200, 1000, 4096, 600), memory_mib=64)
NO_MEMORY = (
    "the files: reading them takes more than 64 MiB of memory: import them in parts, or raise "
    "ZONEBOOK_IMPORT_MEMORY_MIB"
)


def test_the_child_gives_back_what_it_made() -> None:
    assert in_child(takes_memory, replace(LITTLE, memory_mib=1024)) == str(200 * 2**20)


def test_the_child_has_a_limit_of_memory_for_every_user() -> None:
    assert sentence_of(ended(takes_memory, LITTLE)) == NO_MEMORY
    assert of_nobody(lambda: sentence_of(ended(takes_memory, LITTLE))) == NO_MEMORY


def test_the_child_has_a_limit_of_processor_time() -> None:
    def endless() -> None:
        while True:
            pass

    problem = ended(endless, replace(LITTLE, cpu_s=1))
    assert problem.code == "out_of_time"
    assert "more than 1 s of processor time" in problem.detail


def test_a_child_that_ends_by_itself_is_told_of(capfd: pytest.CaptureFixture[str]) -> None:
    assert ended(lambda: os._exit(9), LITTLE).code == "not_read"
    assert ended(lambda: 1 / 0, LITTLE).code == "not_read"
    assert "ZeroDivisionError" in capfd.readouterr().err


def test_what_the_child_refuses_is_refused() -> None:
    def refuse() -> None:
        raise ChangeRefused([Problem("no", "invalid", "/a")])

    assert ended(refuse, LITTLE) == Problem("no", "invalid", "/a")


@pytest.mark.django_db
def test_an_import_that_takes_too_much_memory_leaves_the_connection_and_writes_nothing(
    settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    session = connection.connection
    limit(settings, memory_mib=64)
    parse = services._parsed

    def greedy(*asked: Any) -> Any:
        """In one block: many small ones may find room in what earlier tests left to the process."""
        return bytearray(512 * 2**20) and parse(*asked)

    with monkeypatch.context() as patched:
        patched.setattr(services, "_parsed", greedy)
        with pytest.raises(ChangeRefused) as caught:
            import_files(as_files(pier()), IMPORTER)
    assert [sentence_of(problem) for problem in caught.value.problems] == [NO_MEMORY]
    assert not Site.objects.exists()
    assert connection.connection is session
    settings.IMPORT_LIMITS = asdict(Limits(200, 1_000_000, 4096, 600))
    assert import_files(as_files(pier()), IMPORTER).written["points"] == 4
