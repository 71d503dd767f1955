"""The use of the embedded server by this process: `join` before the first connection, `leave` at exit.

Every process that uses a server holds a shared lock while it runs; the system frees it however the process
ends. The last process to leave stops the server; where that one was killed, the reaper (a small process of
its own) stops it."""

import atexit
import os
import subprocess
import sys
import threading
from contextlib import ExitStack
from pathlib import Path
from typing import NamedTuple

from api.database import EmbeddedDatabaseError, cluster, location
from api.database.locks import FileLock


class _Use(NamedTuple):
    lock: FileLock
    host: str


_uses: dict[Path, _Use] = {}
_guard = threading.RLock()


def start_lock(data_dir: Path) -> FileLock:
    return FileLock(data_dir / "database.lock")


def users_lock(data_dir: Path, *, shared: bool) -> FileLock:
    return FileLock(data_dir / "database-users.lock", shared=shared)


def reaper_lock(data_dir: Path) -> FileLock:
    return FileLock(data_dir / "database-reaper.lock")


def join(data_dir: Path, *, again: bool = False) -> str:
    """The folder of the socket of the server of `data_dir`, which is made and started where it is missing.
    The first call counts this process among its users; `again`: look once more, after a failed connection.

    1. Under the start lock, so that of two processes one starts the server and the other finds it.
    2. The users' lock is taken before the start lock is released, so that no process stops the server in
       between.
    """
    data_dir = data_dir.absolute()
    with _guard:
        use = _uses.get(data_dir)
        if use and not again:
            return use.host
        try:
            location.make_data_dir(data_dir)
            with start_lock(data_dir), ExitStack() as on_failure:
                lock = use.lock if use else on_failure.enter_context(users_lock(data_dir, shared=True))
                host = cluster.ensure_running(location.find(data_dir))
                _ensure_reaper(data_dir)
                on_failure.pop_all()
        except OSError as error:
            raise EmbeddedDatabaseError(
                f"The embedded database in {data_dir} cannot be used: {error}. Choose another folder with "
                "--data or ZONEBOOK_DATA, or give a running server with DATABASE_URL."
            ) from error
        _uses[data_dir] = _Use(lock, host)
        return host


def _ensure_reaper(data_dir: Path) -> None:
    """Start a reaper unless one runs. It continues in a child process, so this waits for its start only."""
    lock = reaper_lock(data_dir)
    is_missing = lock.acquire(wait=False)
    lock.release()
    if is_missing:
        subprocess.run(
            [sys.executable, "-m", "api.database.reaper", str(data_dir)],
            env={**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parents[2])},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
            check=False,
        )


def leave(data_dir: Path) -> None:
    """Stop using the server of `data_dir`, and stop it if no other process uses it."""
    with _guard:
        use = _uses.pop(data_dir.absolute(), None)
        if use:
            use.lock.release()
            if data_dir.is_dir():
                with start_lock(data_dir):
                    stop_if_unused(data_dir)


def leave_all() -> None:
    for data_dir in list(_uses):
        leave(data_dir)


def stop_if_unused(data_dir: Path) -> bool:
    """Stop the server of `data_dir` unless a process uses it; True where none did. Needs the start lock."""
    users = users_lock(data_dir, shared=False)
    is_unused = users.acquire(wait=False)
    try:
        if is_unused:
            cluster.stop(location.find(data_dir))
    finally:
        users.release()
    return is_unused


def _forget_after_fork() -> None:
    """A child becomes a user when it connects. Until then it must not hold its parent's lock, which its own
    check for other users would find."""
    global _guard
    _guard = threading.RLock()
    for use in _uses.values():
        use.lock.release()
    _uses.clear()


atexit.register(leave_all)
os.register_at_fork(after_in_child=_forget_after_fork)
