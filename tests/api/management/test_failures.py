"""What an exception is to a person at the terminal: a line and an exit status, or none for our faults."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest
from django.db import DatabaseError, DataError, IntegrityError, OperationalError
from psycopg import errors as pg

from api.database import EmbeddedDatabaseError
from api.management.failures import Failure, failure_of


def caused(error: Exception, cause: Exception) -> Exception:
    error.__cause__ = cause
    return error


def of_file(path: str | None, number: int) -> OSError:
    return OSError(number, os.strerror(number), path) if path else OSError(number, os.strerror(number))


@pytest.mark.parametrize(
    ("error", "expected"),
    [
        (KeyboardInterrupt(), Failure("stopped by Ctrl-C", 130)),
        (EOFError(), Failure("standard input ended before an answer", 2)),
        (UnicodeEncodeError("utf-8", "\udcff", 0, 1, "surrogates not allowed"),
         Failure("an argument holds bytes that are not UTF-8", 2)),
        (DataError("value too long"),
         Failure("a value is out of the range that can be recorded: value too long", 2)),
        (caused(OperationalError("deadlock detected\nDETAIL: …"), pg.DeadlockDetected()),
         Failure("the database could not complete this: deadlock detected DETAIL: …. Try again.", 1)),
        (caused(OperationalError("as below"), EmbeddedDatabaseError("the folder is a copy")),
         Failure("the folder is a copy", 1)),
        (of_file(None, errno.ENOSPC), Failure("[Errno 28] No space left on device", 1)),
    ],
)  # fmt: skip
def test_what_can_be_put_right_is_a_line(error: BaseException, expected: Failure) -> None:
    assert failure_of(error, ["manage.py", "recheck"]) == expected


@pytest.mark.parametrize("error", [KeyError("x"), ValueError("x"), IntegrityError("x"), DatabaseError("x")])
def test_a_fault_of_ours_has_no_line(error: Exception) -> None:
    assert failure_of(error, ["manage.py", "recheck"]) is None


@pytest.mark.parametrize(
    ("file", "status"),
    [
        ("given/out", 2),  # the path itself
        ("given", 2),  # what holds it
        ("given/out/sites.csv", 2),  # what lies in it
        ("elsewhere", 1),
        ("given/other", 1),
    ],
)
def test_a_path_is_bad_input_where_it_was_given(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, file: str, status: int
) -> None:
    monkeypatch.setenv("ZONEBOOK_DATA", str(tmp_path / "data"))
    error = of_file(str(tmp_path / file), errno.EACCES)
    for words in (["export", str(tmp_path / "given/out")], ["export", f"--aside={tmp_path}/given/out"]):
        failure = failure_of(error, ["manage.py", "asbuilt", *words])
        assert failure is not None
        assert failure.status == status
        assert failure.line.startswith(f"{tmp_path}/{file}: Permission denied")
