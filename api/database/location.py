"""Where an embedded database lies: in its data folder, or below /var/lib where `nobody` cannot reach it.

DATA/database.lock         held while the server is made, started or stopped
DATA/database-users.lock   shared by every process that uses the server
DATA/database-reaper.lock  held by the process that stops the server after the last of them
DATA/database-location     a pointer, where the database lies elsewhere; else
DATA/database/             cluster/ (PostgreSQL's own), settings/, socket/, log/, server.lock
"""

import hashlib
import os
import secrets
import stat
from dataclasses import dataclass
from itertools import count
from pathlib import Path

from api.database import EmbeddedDatabaseError
from api.database.account import Account, account_for, make_system_folder, open_folder
from api.database.locks import FileLock

POINTER = "database-location"
_OWNER = "data-folder"


@dataclass(frozen=True)
class Location:
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

    def server_lock(self) -> FileLock:
        """The server and its children inherit this lock and hold it until the last of them has ended."""
        return FileLock(self.folder / "server.lock")

    def major(self) -> int | None:
        """The major version that wrote the cluster; None before there is one."""
        version = self.cluster / "PG_VERSION"
        return int(version.read_text().strip()) if version.is_file() else None

    def is_current(self) -> bool:
        """Whether the data folder is still there and has its database here."""
        if self.folder.parent == self.data_dir:
            return self.data_dir.is_dir()
        pointer = self.data_dir / POINTER
        return pointer.is_file() and Path(pointer.read_text().strip()) == self.folder


def make_data_dir(data_dir: Path) -> None:
    """Make the data folder. Secret files in it have modes of their own, so that the server's account can pass
    through a folder of root's."""
    if not data_dir.is_dir():
        open_folder(data_dir)
    elif data_dir.stat().st_mode & stat.S_IWOTH:
        raise EmbeddedDatabaseError(
            f"{data_dir} can be written by everybody, who could put other keys there: chmod o-w it, or "
            "choose another folder with --data or ZONEBOOK_DATA."
        )


def find(data_dir: Path) -> Location:
    """The location that `data_dir` has, or a new empty one. Needs DATA/database.lock held."""
    pointer = data_dir / POINTER
    if pointer.is_file():
        return Location(data_dir, _follow(data_dir, pointer))
    location = Location(data_dir, data_dir / "database")
    if location.cluster.is_dir():
        return location
    open_folder(location.folder)
    account = account_for(location.cluster)
    if not _is_reachable(location.folder, account):
        location.folder.rmdir()
        location = Location(data_dir, _make_elsewhere(data_dir))
        if not _is_reachable(location.folder, account):
            raise EmbeddedDatabaseError(
                f"{account.name}, the account that runs PostgreSQL for root, reaches neither {data_dir} nor "
                f"{location.folder}. Choose another folder with --data or ZONEBOOK_DATA, or give a running "
                "server with DATABASE_URL."
            )
        _write_whole(pointer, str(location.folder))
    return location


def _is_reachable(folder: Path, account: Account) -> bool:
    """Whether the account can write into a folder of its own below `folder`."""
    trial = folder / f"trial-{secrets.token_hex(4)}"
    account.make_folder(trial)
    try:
        return account.passes("-w", trial)
    finally:
        trial.rmdir()


def _make_elsewhere(data_dir: Path) -> Path:
    """Make a folder below /var/lib/zonebook. One left there by a removed data folder of the same name is
    kept."""
    name = hashlib.sha256(os.fsencode(data_dir)).hexdigest()[:12]
    system = make_system_folder()
    folders = (system / (f"{name}-{number}" if number > 1 else name) for number in count(1))
    folder = next(folder for folder in folders if not folder.exists())
    open_folder(folder, exist_ok=False)
    _write_whole(folder / _OWNER, str(data_dir))
    return folder


def _follow(data_dir: Path, pointer: Path) -> Path:
    folder = Path(pointer.read_text().strip())
    if not folder.is_dir():
        raise EmbeddedDatabaseError(
            f"{pointer} says that the database lies in {folder}, which is not there. Put it back, or remove "
            f"{pointer} to begin with an empty database."
        )
    owner = Path((folder / _OWNER).read_text().strip())
    if owner != data_dir:
        if Location(owner, folder).is_current():
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
