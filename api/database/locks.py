"""Locks on files: held by a process, freed by the operating system however that process ends, SIGKILL
included."""

import os
import random
import sys
import time
from pathlib import Path
from types import TracebackType

if sys.platform == "win32":
    import msvcrt

    # msvcrt has exclusive locks on ranges of bytes only: a shared holder takes one byte, an exclusive one
    # takes all of them. The bytes need not exist.
    _BYTES = 2**30

    def _lock(descriptor: int, *, shared: bool) -> bool:
        offset, length = (random.randrange(_BYTES), 1) if shared else (0, _BYTES)  # noqa: S311
        os.lseek(descriptor, offset, os.SEEK_SET)
        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, length)
        except OSError:
            return False
        return True

    def _lock_waiting(descriptor: int, *, shared: bool) -> None:
        while not _lock(descriptor, shared=shared):
            time.sleep(0.05)
else:
    import fcntl

    def _lock(descriptor: int, *, shared: bool) -> bool:
        try:
            fcntl.flock(descriptor, (fcntl.LOCK_SH if shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True

    def _lock_waiting(descriptor: int, *, shared: bool) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_SH if shared else fcntl.LOCK_EX)


class FileLock:
    """A lock on the file `path`, which is made where it is missing and never removed: a removed file would
    leave two processes each holding "the" lock."""

    def __init__(self, path: Path, *, shared: bool = False) -> None:
        self.path = path
        self.shared = shared
        self._descriptor: int | None = None

    def _open(self) -> int:
        if self._descriptor is not None:
            raise RuntimeError(f"{self.path} is locked by this object already")
        return os.open(self.path, os.O_RDWR | os.O_CREAT, 0o600)

    def acquire(self) -> None:
        """Wait for the lock."""
        descriptor = self._open()
        try:
            _lock_waiting(descriptor, shared=self.shared)
        except BaseException:
            os.close(descriptor)
            raise
        self._descriptor = descriptor

    def try_acquire(self) -> bool:
        """Take the lock if it is free now; whether it was."""
        descriptor = self._open()
        if _lock(descriptor, shared=self.shared):
            self._descriptor = descriptor
            return True
        os.close(descriptor)
        return False

    def release(self) -> None:
        """Free the lock by closing the file. In a forked child this lets go of the child's copy only: the
        lock stays with the parent."""
        descriptor, self._descriptor = self._descriptor, None
        if descriptor is not None:
            os.close(descriptor)

    def __enter__(self) -> "FileLock":
        self.acquire()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.release()
