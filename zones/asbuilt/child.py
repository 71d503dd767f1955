"""Files are read and parsed in a child process with limits of its own, so that what somebody sends takes
neither all memory nor all time from the process that holds the database.

The child is a fork: it has the formats, needs no start of its own, and what it makes comes back through a
pipe. It inherits the socket of the parent's database connection and the lock that keeps the embedded server
running. It uses neither, and it ends by ``os._exit``, which runs no finalizer: the connection stays as it is,
and the lock is the parent's as long as that lives. Rows are written by the parent.
"""

from __future__ import annotations

import os
import pickle
import resource
import signal
import sys
import traceback
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, TypeVar

from sites.changes.errors import ChangeRefused

from .intake import Limits
from .problems import problem_in

T = TypeVar("T")
_OUT_OF_MEMORY, _FAILED = 3, 4
_STATM: Final = Path("/proc/self/statm")


def in_child(work: Callable[[], T], limits: Limits) -> T:
    """What ``work`` returns in a child process; it must be picklable. ChangeRefused is what ``work`` refused,
    or says which limit the child met."""
    reading, writing = os.pipe()
    sys.stdout.flush()
    sys.stderr.flush()
    with warnings.catch_warnings():
        # The child uses none of the threads that Python warns about (a progress bar, a numerical library)
        warnings.simplefilter("ignore", DeprecationWarning)
        pid = os.fork()
    if pid == 0:
        os.close(reading)
        _work(work, limits, writing)
    os.close(writing)
    try:
        with os.fdopen(reading, "rb") as pipe:
            answer: Any = pickle.load(pipe)  # noqa: S301 - our own process wrote it
    except (EOFError, pickle.UnpicklingError):
        answer = None  # it ended before it had said all
    except BaseException:
        os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)
        raise
    _, status = os.waitpid(pid, 0)
    if answer is None or status != 0:
        raise _ended(status, limits)
    result, refused = answer
    if refused is not None:
        raise ChangeRefused(refused)
    return result  # type: ignore[no-any-return]


def _work(work: Callable[[], Any], limits: Limits, writing: int) -> None:
    """The child's life; it never returns."""
    status = _FAILED
    try:
        _limit(limits)
        answer: Any
        try:
            answer = work(), None
        except ChangeRefused as refused:
            answer = None, refused.problems
        with os.fdopen(writing, "wb") as pipe:
            pickle.dump(answer, pipe, pickle.HIGHEST_PROTOCOL)
        status = 0
    except MemoryError:
        status = _OUT_OF_MEMORY
    except BaseException:  # noqa: BLE001 - after any error the parent goes on and says that it failed
        os.write(2, traceback.format_exc().encode(errors="replace"))
    finally:
        os._exit(status)


def _limit(limits: Limits) -> None:
    """Memory beyond what the process has already, which the fork brought along; processor time of its own."""
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    resource.setrlimit(resource.RLIMIT_CPU, (limits.cpu_s, limits.cpu_s + 1))
    if _STATM.exists():  # elsewhere than on Linux the system holds no process to it
        pages = int(_STATM.read_text().split()[0])
        most = pages * os.sysconf("SC_PAGE_SIZE") + limits.memory_mib * 2**20
        resource.setrlimit(resource.RLIMIT_AS, (most, most))


def _ended(status: int, limits: Limits) -> ChangeRefused:
    if os.WIFEXITED(status) and os.WEXITSTATUS(status) == _OUT_OF_MEMORY:
        code = "out_of_memory"
        detail = (
            f"reading them takes more than {limits.memory_mib} MiB of memory: import them in parts, or raise "
            "ZONEBOOK_IMPORT_MEMORY_MIB"
        )
    elif os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGXCPU:
        code = "out_of_time"
        detail = (
            f"reading them takes more than {limits.cpu_s} s of processor time: import them in parts, or "
            "raise ZONEBOOK_IMPORT_CPU_S"
        )
    else:
        code, detail = "not_read", "the process that read them failed, or was stopped"
    return ChangeRefused([problem_in("the files", 0, "", code, detail)])
