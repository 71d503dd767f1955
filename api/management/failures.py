"""What a command that failed says: one line that names what is wrong and what would be right.

`manage.py` asks here about every exception that a command lets through, so no command needs to know of a
database without tables, a database that is away, or a path that cannot be read. What has no line here is a
fault of ours and keeps its traceback.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import psycopg
from django.core.exceptions import ImproperlyConfigured
from django.core.management import CommandError
from django.db import (
    DEFAULT_DB_ALIAS,
    DatabaseError,
    DataError,
    InterfaceError,
    OperationalError,
    ProgrammingError,
    connections,
)
from django.db.migrations.executor import MigrationExecutor

from api.database import EmbeddedDatabaseError

FAILED, BAD_INPUT = 1, 2
STOPPED = 128 + 2  # POSIX shells: 128 and the signal, SIGINT


@dataclass(frozen=True)
class Failure:
    line: str
    status: int = FAILED


def failure_of(error: BaseException, argv: Sequence[str]) -> Failure | None:
    """The line and exit status for `error`, raised by the command line `argv`; None for a fault of ours."""
    if isinstance(error.__cause__, EmbeddedDatabaseError | ImproperlyConfigured):
        error = error.__cause__  # Django wraps what its first connection meets
    match error:
        case KeyboardInterrupt():
            return Failure("stopped by Ctrl-C", STOPPED)
        case EOFError():
            return Failure("standard input ended before an answer", BAD_INPUT)
        case CommandError():  # raised while the arguments are parsed, where Django does not catch it
            return Failure(str(error), error.returncode)
        case ImproperlyConfigured():
            return Failure(str(error))
        case EmbeddedDatabaseError():
            return Failure(str(error), BAD_INPUT if isinstance(error.__cause__, OSError) else FAILED)
        case UnicodeEncodeError(encoding="utf-8"):
            return Failure("an argument holds bytes that are not UTF-8", BAD_INPUT)
        case OSError():
            return _of_file(error, argv)
        case DatabaseError() | InterfaceError():
            return _of_database(error)
    return None


def _of_file(error: OSError, argv: Sequence[str]) -> Failure:
    if error.filename is None:
        return Failure(str(error))
    file = Path(os.fsdecode(error.filename))
    if _was_given(file, argv):
        return Failure(
            f"{file}: {error.strerror}. Give a path that can be read, or written where the command writes.",
            BAD_INPUT,
        )
    return Failure(f"{file}: {error.strerror}")


def _was_given(file: Path, argv: Sequence[str]) -> bool:
    """Whether `file` is, holds or lies in a path of the command line, or of the data folder."""
    words = [word.partition("=")[2] or word for word in argv[1:] if word]
    given = [Path(word).absolute() for word in (*words, os.environ.get("ZONEBOOK_DATA", "")) if word]
    return any(file.absolute().is_relative_to(path) or path.is_relative_to(file.absolute()) for path in given)


def _of_database(error: DatabaseError | InterfaceError) -> Failure | None:
    text = " ".join(str(error).split()).partition(" Is the server running")[0]
    sqlstate = getattr(error.__cause__, "sqlstate", None)
    match error:
        case ProgrammingError():
            missing = (
                psycopg.errors.UndefinedTable,
                psycopg.errors.UndefinedColumn,
                psycopg.errors.UndefinedFunction,
            )
            return _of_migrations() if isinstance(error.__cause__, missing) else None
        case DataError():
            return Failure(f"a value is out of the range that can be recorded: {text}", BAD_INPUT)
        case OperationalError() | InterfaceError() if sqlstate is None:
            return Failure(
                f"the database does not answer: {text}. Start it, or correct DATABASE_URL (and "
                "DATABASE_OWNER_URL)."
            )
        case OperationalError():
            return Failure(f"the database could not complete this: {text}. Try again.")
    return None


def _of_migrations() -> Failure | None:
    """Why a table or column is missing; None where every migration was run."""
    connection = connections[DEFAULT_DB_ALIAS]
    try:
        connection.close()  # the transaction of the failed statement
        executor = MigrationExecutor(connection)
        if not executor.loader.applied_migrations:
            return Failure(
                "the database has no tables yet. Run `manage.py migrate`, or `manage.py demo` for a look at "
                "invented customers."
            )
        if executor.migration_plan(executor.loader.graph.leaf_nodes()):
            return Failure("the database lacks tables or columns of this version. Run `manage.py migrate`.")
    except DatabaseError:
        pass  # the error that brought us here is the one to show
    return None
