"""The processes of the demo: web server and sweeper, started together and stopped together."""

from __future__ import annotations

import contextlib
import ctypes
import http.client
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import FrameType

from django.conf import settings

STOP_S = 15.0
START_S = 60.0
_PR_SET_PDEATHSIG = 1  # linux/prctl.h


class DemoError(Exception):
    """What keeps the demo from running, in words."""


def free_port() -> int:
    """A port of the loopback interface that nobody listens on at this moment."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    return port


def require_free(port: int) -> None:
    """Raise DemoError where something listens on the port already."""
    if not 1 <= port <= 65535:
        raise DemoError(f"There is no port {port}: expected 1 to 65535, such as --port 8000.")
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
        except OSError as error:
            raise DemoError(
                f"Port {port} of 127.0.0.1 is taken. Stop what listens there, or choose another, such as "
                f"--port {port + 1}."
            ) from error


@contextlib.contextmanager
def serving(port: int, *, quiet: bool) -> Iterator[list[subprocess.Popen[bytes]]]:
    """Web server and sweeper, ready to answer; whatever ends the block ends them.

    SIGTERM counts as Ctrl-C while the block runs, so that a supervisor's stop leaves nothing behind either.
    """

    def interrupt(_signal: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, interrupt)
    started: list[subprocess.Popen[bytes]] = []
    try:
        manage = str(Path(settings.BASE_DIR) / "manage.py")
        started.append(_start([sys.executable, manage, "sweep", "--loop"], quiet=quiet))
        web = [
            "-m",
            "gunicorn",
            "api.wsgi",
            "--bind",
            f"127.0.0.1:{port}",
            "--workers",
            "2",
            "--threads",
            "4",
        ]
        started.append(
            _start([sys.executable, *web, "--log-level", "warning", "--no-control-socket"], quiet=quiet)
        )
        _await_ready(port, started)
        yield started
    finally:
        for process in started:
            process.terminate()
        _await_end(started)
        signal.signal(signal.SIGTERM, before)


def _start(command: Sequence[str], *, quiet: bool) -> subprocess.Popen[bytes]:
    # A session of its own: Ctrl-C reaches the demo alone, which stops its processes in order
    return subprocess.Popen(
        command,
        cwd=settings.BASE_DIR,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL if quiet else sys.stderr,
        stderr=subprocess.DEVNULL if quiet else None,
        start_new_session=True,
        preexec_fn=_end_with_parent if sys.platform == "linux" else None,
    )


def _end_with_parent() -> None:
    """Have the kernel end this process when the demo is killed: nobody else would be left to do it."""
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
