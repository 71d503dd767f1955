"""As whom PostgreSQL's programs run: they refuse root, so root runs them as `nobody` and nobody's files stay
theirs."""

import os
import shutil
import subprocess
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from api.database.errors import EmbeddedDatabaseError

if sys.platform != "win32":
    import pwd

ROOTS_DEPUTY = "nobody"


@dataclass(frozen=True)
class Account:
    """An operating-system account. `changed` says that it is not the one this process runs as."""

    name: str
    uid: int
    gid: int
    changed: bool

    def own(self, folder: Path) -> None:
        """Make `folder` (if it is missing) this account's, closed to everyone else."""
        folder.mkdir(mode=0o700, exist_ok=True)
        if self.changed:
            os.chown(folder, self.uid, self.gid, follow_symlinks=False)

    def run(self, arguments: Sequence[str], folder: Path | None = None) -> subprocess.CompletedProcess[str]:
        """Run a program as this account (in `folder`), with nothing of ours: no PG… variables, no folder that
        it cannot enter."""
        return subprocess.run(
            arguments,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            errors="replace",
            env=_environment(os.environ),
            cwd=folder or Path(arguments[0]).anchor,
            check=False,
            user=self.uid if self.changed else None,
            group=self.gid if self.changed else None,
            extra_groups=[] if self.changed else None,
        )

    def can_write(self, folder: Path) -> bool:
        """Whether this account can make files in `folder`: tried, since modes alone do not tell (ACLs,
        mounts)."""
        return self._test("-w", folder)

    def can_read(self, path: Path) -> bool:
        return self._test("-r", path)

    def _test(self, question: str, path: Path) -> bool:
        if not self.changed:
            return True
        return self.run(["/bin/sh", "-c", f'test {question} "$1"', "sh", str(path)]).returncode == 0


def _environment(ours: Mapping[str, str]) -> dict[str, str]:
    kept = {name: value for name, value in ours.items() if not name.startswith("PG")}
    kept.pop("HOME", None)
    # Messages are read by `cluster`, so they must not be translated
    return kept | {"LC_ALL": "C"}


def running_as() -> str:
    """The name of the account of this process."""
    if sys.platform == "win32":
        return os.environ.get("USERNAME", "user")
    try:
        return pwd.getpwuid(os.geteuid()).pw_name
    except KeyError:
        raise EmbeddedDatabaseError(
            f"The user id {os.geteuid()} that this process runs as has no name on this system, and "
            "PostgreSQL needs one. Add it to /etc/passwd, or give a running server with DATABASE_URL."
        ) from None


def name_of_root() -> str:
    return "" if sys.platform == "win32" else pwd.getpwuid(0).pw_name


def is_root() -> bool:
    return sys.platform != "win32" and os.geteuid() == 0


def account_for(cluster: Path) -> Account:
    """The account that owns `cluster`, or that would if it were made now."""
    if sys.platform == "win32":
        return Account(name=running_as(), uid=0, gid=0, changed=False)
    owner = cluster.stat().st_uid if cluster.is_dir() else None
    me = os.geteuid()
    if me != 0:
        if owner not in (None, me):
            raise EmbeddedDatabaseError(
                f"The database in {cluster} belongs to {_name_of(owner)}, and this process runs as "
                f"{running_as()}. Run it as that user or as root, or choose another folder with --data or "
                "ZONEBOOK_DATA."
            )
        return Account(name=running_as(), uid=me, gid=os.getegid(), changed=False)
    try:
        entry = pwd.getpwuid(owner) if owner else pwd.getpwnam(ROOTS_DEPUTY)
    except KeyError:
        wanted = f"the user id {owner}, which owns {cluster}," if owner else f"the user {ROOTS_DEPUTY}"
        raise EmbeddedDatabaseError(
            f"PostgreSQL does not run as root, and {wanted} has no entry on this system. Run as an ordinary "
            "user, or give a running server with DATABASE_URL."
        ) from None
    return Account(name=entry.pw_name, uid=entry.pw_uid, gid=entry.pw_gid, changed=True)


def _name_of(uid: int | None) -> str:
    if sys.platform == "win32" or uid is None:
        return "someone else"
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"the user id {uid}"


def remove_tree(folder: Path) -> None:
    """Remove a folder that a start left unfinished."""
    if folder.exists():
        shutil.rmtree(folder)
