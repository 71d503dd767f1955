"""Locks on files: held by a process, freed by the operating system however that process ends, SIGKILL
included."""

import fcntl
import os
from pathlib import Path
from types import TracebackType


class FileLock:
    """A lock on the file `path`, which is made where it is missing and never removed: a removed file would
    leave two processes each holding "the" lock."""

    def __init__(self, path: Path, *, shared: bool = False) -> None:
        self.path = path
        self.mode = fcntl.LOCK_SH if shared else fcntl.LOCK_EX
        self.descriptor: int | None = None

    def acquire(self, *, wait: bool = True) -> bool:
        """Take the lock. Returns False where another process holds it and we do not wait."""
        if self.descriptor is not None:
            raise RuntimeError(f"{self.path} is locked by this object already")
        descriptor = os.open(self.path, os.O_RDWR | os.O_CREAT, 0o600)
        try:
            fcntl.flock(descriptor, self.mode | (0 if wait else fcntl.LOCK_NB))
        except BlockingIOError:
            os.close(descriptor)
            return False
        except BaseException:
            os.close(descriptor)
            raise
        self.descriptor = descriptor
        return True

    def release(self) -> None:
        """Close the file. The lock is free once every process that inherited the open file has closed it
        too."""
        descriptor, self.descriptor = self.descriptor, None
        if descriptor is not None:
            os.close(descriptor)

    def __enter__(self) -> "FileLock":
        self.acquire()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.release()
