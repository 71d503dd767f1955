"""The demo's processes: web server and sweeper, started and stopped together."""

from __future__ import annotations

import contextlib
import ctypes
import http.client
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from types import FrameType

from django.conf import settings

STOP_S = 15.0
START_S = 60.0
_PR_SET_PDEATHSIG = 1  # linux/prctl.h


class DemoError(Exception):
    """A reason why the demo cannot run or its check failed."""


def free_port() -> int:
    """A free port of the loopback interface."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    return port


def require_free(port: int) -> None:
    """Raise DemoError unless the port is free."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
        except OSError as error:
            raise DemoError(
                f"Port {port} of 127.0.0.1 is in use. Stop the program there, or choose another port, such "
                f"as --port {port + 1}."
            ) from error


@contextlib.contextmanager
def serving(
    port: int, *, token: str, quiet: bool, **variables: str
) -> Iterator[list[subprocess.Popen[bytes]]]:
    """Context with a web server, ready to answer, and a sweeper; leaving it stops both. The root page shows
    the token. variables: of the environment of both.

    SIGTERM acts as Ctrl-C inside, so that a supervisor's stop leaves no process behind.
    """

    def interrupt(_signal: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, interrupt)
    started: list[subprocess.Popen[bytes]] = []
    try:
        started.append(_start("manage.py sweep --loop", quiet=quiet, **variables))
        web = f"-m gunicorn --config python:api.server.config --bind 127.0.0.1:{port} --log-level warning"
        started.append(_start(web, quiet=quiet, ZONEBOOK_DEMO_TOKEN=token, **variables))
        _await_ready(port, started)
        yield started
    finally:
        for process in started:
            process.terminate()
        _await_end(started)
        signal.signal(signal.SIGTERM, before)


def _start(arguments: str, *, quiet: bool, **variables: str) -> subprocess.Popen[bytes]:
    # In its own session Ctrl-C does not reach it: the demo stops its processes in order
    return subprocess.Popen(
        [sys.executable, *arguments.split()],
        cwd=settings.BASE_DIR,
        env=os.environ | {"ZONEBOOK_ENVIRONMENT": "demo"} | variables,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL if quiet else sys.stderr,
        stderr=subprocess.DEVNULL if quiet else None,
        start_new_session=True,
        preexec_fn=_end_with_parent if sys.platform == "linux" else None,
    )


def _end_with_parent() -> None:
    """Have the kernel end this process when the demo is killed and cannot stop it."""
    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGTERM)


def _await_ready(port: int, processes: Sequence[subprocess.Popen[bytes]]) -> None:
    deadline = time.monotonic() + START_S
    while time.monotonic() < deadline:
        for process in processes:
            if (code := process.poll()) is not None:
                raise DemoError(f"{process.args!r} ended with status {code} before it was ready.")
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=5)
        with contextlib.suppress(OSError):
            connection.request("GET", "/readyz")
            if connection.getresponse().status == 200:
                return
        connection.close()
        time.sleep(0.1)
    raise DemoError(f"http://127.0.0.1:{port}/readyz did not answer within {START_S:.0f} s.")


def _await_end(processes: Sequence[subprocess.Popen[bytes]]) -> None:
    deadline = time.monotonic() + STOP_S
    for process in processes:
        try:
            process.wait(timeout=max(deadline - time.monotonic(), 0.1))
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
