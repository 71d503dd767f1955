"""`manage.py sweep`: recompute what is marked; with `--loop`, on and on."""

from __future__ import annotations

import signal
import sys
import threading
from types import FrameType
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from zones.recheck.sweep import sweep, sweep_until

COULD_NOT, BAD_INPUT = 1, 2


class Command(BaseCommand):
    help = (
        "Claim the sites that are marked as changed and recompute them, turn due dates into marks, and do "
        "what else is waiting. Several may run at once, beside Celery workers. With --loop it goes on until "
        "SIGTERM or Ctrl-C, and ends the batch it is at. Exit status: 0 done, 1 some site could not be "
        "computed, 2 bad input."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--loop", action="store_true", help="go on until SIGTERM or Ctrl-C")
        parser.add_argument(
            "--interval",
            type=float,
            default=0.5,
            metavar="SECONDS",
            help="how long to wait with --loop while nothing is marked (default: 0.5)",
        )

    def handle(self, *, loop: bool, interval: float, **_options: Any) -> None:
        if not 0.01 <= interval <= 3600:
            raise CommandError(
                f"--interval {interval:g}: expected 0.01 to 3600 seconds", returncode=BAD_INPUT
            )
        stop = threading.Event()
        before = {number: signal.signal(number, _setting(stop)) for number in (signal.SIGTERM, signal.SIGINT)}
        try:
            swept = sweep_until(stop, interval_s=interval) if loop else sweep(stop=stop)
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)
        self.stdout.write(f"{swept.checked} sites recomputed, {len(swept.failed)} could not be.")
        if swept.failed and not loop:
            sys.exit(COULD_NOT)


def _setting(stop: threading.Event) -> Any:
    def handle(_number: int, _frame: FrameType | None) -> None:
        stop.set()

    return handle
