"""The account that runs PostgreSQL's programs: they refuse root, so root runs them as `nobody`, and the
database lies below /var/lib where `nobody` cannot reach the data folder."""

import os
import pwd
import stat
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from api.database import EmbeddedDatabaseError

ROOT_RUNS_AS = "nobody"
SYSTEM_FOLDER = Path("/var/lib/zonebook")


@dataclass(frozen=True)
class Account:
    name: str
    uid: int
    gid: int

    @property
    def is_ours(self) -> bool:
        """Whether this process runs as this account."""
        return self.uid == os.geteuid()

    def make_folder(self, folder: Path) -> None:
        """Make a folder, where it is missing, that this account alone can enter."""
        folder.mkdir(mode=0o700, exist_ok=True)
        if not self.is_ours:
            os.chown(folder, self.uid, self.gid, follow_symlinks=False)

    def run(
        self, command: Sequence[str], *, cwd: Path = Path("/"), text: str = "", keep_open: Sequence[int] = ()
    ) -> subprocess.CompletedProcess[str]:
        """Run a program as this account without our PG… variables, its messages untranslated."""
        kept = {name: value for name, value in os.environ.items() if name != "HOME" and name[:2] != "PG"}
        return subprocess.run(
            command,
            input=text,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            errors="replace",
            env=kept | {"LC_ALL": "C"},
            cwd=cwd,
            check=False,
            pass_fds=keep_open,
            user=None if self.is_ours else self.uid,
            group=None if self.is_ours else self.gid,
            extra_groups=None if self.is_ours else [],
        )

    def passes(self, test: str, path: Path) -> bool:
        """Whether the shell's `test` succeeds for this account; modes alone do not show it (ACLs, mounts)."""
        return self.is_ours or self.run(["/bin/sh", "-c", f'test {test} "$0"', str(path)]).returncode == 0


def is_root() -> bool:
    return os.geteuid() == 0


def name_of(uid: int) -> str:
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        raise EmbeddedDatabaseError(
            f"PostgreSQL needs a name for the user id {uid}, and this system has none. Add it to "
            "/etc/passwd, or give a running server with DATABASE_URL."
        ) from None


def account_for(cluster: Path) -> Account:
    """The account that owns `cluster`, or would own it if it were made now."""
    me, owner = os.geteuid(), cluster.stat().st_uid if cluster.is_dir() else None
    if me and owner not in (None, me):
        raise EmbeddedDatabaseError(
            f"The database in {cluster} belongs to {name_of(owner)}, and this process runs as {name_of(me)}. "
            "Run it as that user or as root, or choose another folder with --data or ZONEBOOK_DATA."
        )
    try:
        entry = pwd.getpwnam(name_of(owner or me) if owner or me else ROOT_RUNS_AS)
    except KeyError:
        raise EmbeddedDatabaseError(
            f"PostgreSQL does not run as root, and this system has no user {ROOT_RUNS_AS}. Run as an "
            "ordinary user, or give a running server with DATABASE_URL."
        ) from None
    return Account(entry.pw_name, entry.pw_uid, entry.pw_gid)


def open_folder(folder: Path, *, exist_ok: bool = True) -> None:
    """Make a folder that root lets the server's account pass through; an ordinary user keeps it closed."""
    folder.mkdir(parents=True, exist_ok=exist_ok)
    folder.chmod(0o711 if is_root() else 0o700)


def make_system_folder() -> Path:
    if not SYSTEM_FOLDER.is_dir():
        open_folder(SYSTEM_FOLDER)
    found = SYSTEM_FOLDER.stat()
    # Root runs programs that lie below it
    if found.st_uid != 0 or found.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
        raise EmbeddedDatabaseError(f"{SYSTEM_FOLDER} must belong to root and be writable by root alone.")
    return SYSTEM_FOLDER
