"""The use of the embedded server by this process: `join` before the first connection, `leave` at exit.

Every process that uses a server holds a shared lock for as long as it lives; the system frees it however the
process ends. Whoever leaves last stops the server; a keeper (a small process of its own) does so where the
last one was killed."""

import atexit
import os
import subprocess
import sys
import threading
from dataclasses import dataclass
from pathlib import Path

from api.database import cluster, home, roles
from api.database.cluster import Address
from api.database.errors import EmbeddedDatabaseError
from api.database.locks import FileLock


@dataclass
class _Use:
    lock: FileLock
    address: Address


_uses: dict[Path, _Use] = {}
_guard = threading.RLock()


def start_lock(data_dir: Path) -> FileLock:
    return FileLock(data_dir / "database.lock")


def users_lock(data_dir: Path, *, shared: bool) -> FileLock:
    return FileLock(data_dir / "database-users.lock", shared=shared)


def keeper_lock(data_dir: Path) -> FileLock:
    return FileLock(data_dir / "database-keeper.lock")


def join(data_dir: Path, *, unix_socket: bool = cluster.HAS_UNIX_SOCKETS, again: bool = False) -> Address:
    """The address of the server of `data_dir`, which is made and started where it is not running. The first
    call counts this process among its users; `again` looks anew, for when a connection failed.

    1. Under the start lock, so that of two processes one starts the server and the other finds it.
    2. The users' lock is taken before the start lock is let go, so that nobody stops the server in between.
    """
    data_dir = data_dir.absolute()
    with _guard:
        use = _uses.get(data_dir)
        if use and not again:
            return use.address
        try:
            address, lock = _join(data_dir, use.lock if use else None, unix_socket=unix_socket)
        except OSError as error:
            raise EmbeddedDatabaseError(
                f"The embedded database in {data_dir} cannot be used: {error}. Choose another folder with "
                "--data or ZONEBOOK_DATA, or give a running server with DATABASE_URL."
            ) from error
        _uses[data_dir] = _Use(lock, address)
        return address


def _join(data_dir: Path, held: FileLock | None, *, unix_socket: bool) -> tuple[Address, FileLock]:
    home.make_data_dir(data_dir)
    with start_lock(data_dir):
        lock = held or users_lock(data_dir, shared=True)
        if not held:
            lock.acquire()
        try:
            place = home.find(data_dir)
            address = cluster.ensure_running(place, unix_socket=unix_socket)
            roles.prepare(place, address)
            _ensure_keeper(data_dir)
        except BaseException:
            if not held:
                lock.release()
            raise
        return address, lock


def _ensure_keeper(data_dir: Path) -> None:
    """Start a keeper unless one is there. It detaches itself, so the wait is for its start only."""
    lock = keeper_lock(data_dir)
    if not lock.try_acquire():
        return
    lock.release()
    root = Path(__file__).resolve().parents[2]
    subprocess.run(
        [sys.executable, "-m", "api.database.keeper", str(data_dir)],
        env={**os.environ, "PYTHONPATH": str(root)},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        check=False,
    )


def leave(data_dir: Path) -> None:
    """Stop using the server of `data_dir`, and stop it if nobody else uses it."""
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
    """Stop the server of `data_dir` unless someone uses it; whether nobody did. To be called with the start
    lock held."""
    users = users_lock(data_dir, shared=False)
    if not users.try_acquire():
        return False
    try:
        cluster.stop(home.find(data_dir))
    finally:
        users.release()
    return True


def _forget_after_fork() -> None:
    """A child is a user of its own once it connects. Until then it must hold nothing, or its own attempt to
    be the last one would meet its parent's lock in its own hands."""
    global _guard
    _guard = threading.RLock()
    for use in _uses.values():
        use.lock.release()
    _uses.clear()


atexit.register(leave_all)
if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_forget_after_fork)
