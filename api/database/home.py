"""Where an embedded database lies: in its data folder, or, where root's `nobody` cannot reach that, below
/var/lib.

DATA/database.lock        held while the server is started, stopped or made
DATA/database-users.lock  shared by every process that uses the server
DATA/database-keeper.lock held by the process that stops it after the last of them
DATA/database-home        a pointer, where the database lies elsewhere; else
DATA/database/            cluster/ (PostgreSQL's own), settings/, socket/, log/
"""

import hashlib
import os
import secrets
import shutil
import stat
from dataclasses import dataclass
from pathlib import Path

from api.database import account as accounts
from api.database.account import Account
from api.database.errors import EmbeddedDatabaseError
from api.database.locks import FileLock
from api.database.programs import Programs

SYSTEM_FOLDER = Path("/var/lib/zonebook")
_POINTER = "database-home"
_OWNER = "data-folder"


@dataclass(frozen=True)
class Home:
    """The folder of one embedded database, and the data folder that it belongs to."""

    data_dir: Path
    folder: Path

    @property
    def cluster(self) -> Path:
        return self.folder / "cluster"

    @property
    def settings(self) -> Path:
        return self.folder / "settings"

    @property
    def log(self) -> Path:
        return self.folder / "log" / "server.log"

    @property
    def prepared(self) -> Path:
        """Left once roles and database are there."""
        return self.folder / "prepared"

    @property
    def password(self) -> Path:
        """Only where connections go over TCP."""
        return self.folder / "password"

    def major(self) -> int | None:
        """The major version that wrote the cluster; None before there is one."""
        version = self.cluster / "PG_VERSION"
        return int(version.read_text().strip()) if version.is_file() else None


def make_data_dir(data_dir: Path) -> None:
    """Make the data folder. What is secret in it is closed by its own mode, so that root's folder can be
    passed through by the account that the server runs as."""
    if data_dir.is_dir():
        return
    data_dir.mkdir(parents=True, exist_ok=True)
    data_dir.chmod(0o711 if accounts.is_root() else 0o700)


def find(data_dir: Path) -> Home:
    """The home that `data_dir` has, or a new empty one. To be called with DATA/database.lock held."""
    pointer = data_dir / _POINTER
    if pointer.is_file():
        return Home(data_dir, _follow(data_dir, pointer))
    home = Home(data_dir, data_dir / "database")
    if home.folder.is_dir() and (home.cluster.is_dir() or not accounts.is_root()):
        return home
    _make_folder(home.folder)
    account = accounts.account_for(home.cluster)
    if not _reachable(home.folder, account):
        home.folder.rmdir()
        home = Home(data_dir, _make_elsewhere(data_dir))
        if not _reachable(home.folder, account):
            raise EmbeddedDatabaseError(
                f"{account.name}, as whom PostgreSQL runs for root, reaches neither {data_dir} nor "
                f"{home.folder}. Choose another folder with --data or ZONEBOOK_DATA, or give a running "
                "server with DATABASE_URL."
            )
        _write_whole(pointer, str(home.folder))
    return home


def is_still(home: Home) -> bool:
    """Whether the data folder is still there and has this home."""
    if home.folder.parent == home.data_dir:
        return home.data_dir.is_dir()
    pointer = home.data_dir / _POINTER
    return pointer.is_file() and pointer.read_text().strip() == str(home.folder)


def _make_folder(folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    folder.chmod(0o711 if accounts.is_root() else 0o700)


def _reachable(folder: Path, account: Account) -> bool:
    """Whether the account could keep its files in a folder of its own below `folder`."""
    trial = folder / f"trial-{secrets.token_hex(4)}"
    account.own(trial)
    try:
        return account.can_write(trial)
    finally:
        trial.rmdir()


def _make_elsewhere(data_dir: Path) -> Path:
    """A new folder below /var/lib/zonebook. A folder left there by a removed data folder of the same name is
    kept."""
    _make_system_folder()
    name = hashlib.sha256(os.fsencode(data_dir)).hexdigest()[:12]
    for attempt in range(1, 1000):
        folder = SYSTEM_FOLDER / (name if attempt == 1 else f"{name}-{attempt}")
        try:
            folder.mkdir()
        except FileExistsError:
            continue
        folder.chmod(0o711)
        _write_whole(folder / _OWNER, str(data_dir))
        return folder
    raise EmbeddedDatabaseError(
        f"{SYSTEM_FOLDER} is full of databases of {data_dir}: remove those no longer needed."
    )


def _make_system_folder() -> None:
    if not SYSTEM_FOLDER.is_dir():
        SYSTEM_FOLDER.mkdir(parents=True, exist_ok=True)
        SYSTEM_FOLDER.chmod(0o711)
    found = SYSTEM_FOLDER.stat()
    # Programs run by root's servers lie below it
    if found.st_uid != 0 or found.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
        raise EmbeddedDatabaseError(f"{SYSTEM_FOLDER} must belong to root and be writable by root alone.")


def _follow(data_dir: Path, pointer: Path) -> Path:
    folder = Path(pointer.read_text().strip())
    if not folder.is_dir():
        raise EmbeddedDatabaseError(
            f"{pointer} says that the database lies in {folder}, which is not there. Put it back, or remove "
            f"{pointer} to begin with an empty database."
        )
    owner = Path((folder / _OWNER).read_text().strip())
    if owner != data_dir:
        other = owner / _POINTER
        if other.is_file() and other.read_text().strip() == str(folder):
            raise EmbeddedDatabaseError(
                f"{data_dir} is a copy of {owner}: both point to the database in {folder}, which only one "
                f"can use. Remove {pointer} to begin with an empty database; manage.py database dump and "
                "load copy the data."
            )
        _write_whole(folder / _OWNER, str(data_dir))  # the data folder was moved
    return folder


def _write_whole(path: Path, text: str) -> None:
    """Write so that a reader sees the old content or the new, never a part."""
    draft = path.with_name(f"{path.name}.new")
    draft.write_text(text + "\n")
    draft.replace(path)


def reachable_programs(programs: Programs, account: Account) -> Programs:
    """The programs, or a copy of them that `account` can run."""
    if _runs(programs, account):
        return programs
    if programs.tree is None:
        raise EmbeddedDatabaseError(
            f"{account.name}, as whom PostgreSQL runs for root, cannot run the programs in "
            f"{programs.folder}. Open that folder to everyone for reading, or give a running server with "
            "DATABASE_URL."
        )
    _make_system_folder()
    target = SYSTEM_FOLDER / "programs" / programs.name
    copied = Programs(
        folder=target / programs.folder.relative_to(programs.tree),
        version=programs.version,
        name=programs.name,
    )
    with FileLock(SYSTEM_FOLDER / "programs.lock"):
        if not (target.is_dir() and _runs(copied, account)):
            _copy(programs.tree, programs.parts, target)
    if not _runs(copied, account):
        raise EmbeddedDatabaseError(f"{account.name} cannot run the programs copied to {target}.")
    return copied


def _runs(programs: Programs, account: Account) -> bool:
    if not account.changed:
        return True
    # By way of a shell, which says so where a program cannot be reached, instead of not coming to be
    if account.run(["/bin/sh", "-c", 'exec "$0" --version', programs.path("initdb")]).returncode != 0:
        return False
    bootstrap = (
        programs.folder.parent / "share" / "postgres.bki"
    )  # a system's own lies elsewhere, open to all
    return not bootstrap.is_file() or account.can_read(bootstrap)


def _copy(tree: Path, parts: tuple[str, ...], target: Path) -> None:
    draft = target.with_name(f"{target.name}.new")
    accounts.remove_tree(draft)
    for part in parts:
        shutil.copytree(tree / part, draft / part, symlinks=True)
    for path in [target.parent, draft, *draft.rglob("*")]:
        if not path.is_symlink():
            mode = path.stat().st_mode
            path.chmod(stat.S_IMODE(mode) | (0o055 if mode & stat.S_IXUSR else 0o044))
    accounts.remove_tree(target)
    draft.rename(target)
