"""`manage.py sweep`: recompute the sites that are marked as changed; with `--loop`, until it is stopped."""

from __future__ import annotations

import signal
import sys
import threading
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from zones.recheck.sweep import companions, companions_once, sweep, sweep_until

from .recheck import BAD_INPUT, FAILED, sites_recomputed


class Command(BaseCommand):
    help = (
        "Recompute the sites that are marked as changed, mark sites whose date is due, and do other waiting "
        "work: publish events, and push them to subscribers. Several sweepers may run at once, "
        "beside Celery workers. With --loop, repeat until SIGTERM or Ctrl-C, then "
        "finish the batch. Exit status: 0 done, 1 some site failed, 2 bad input."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--loop", action="store_true", help="repeat until SIGTERM or Ctrl-C")
        parser.add_argument(
            "--interval",
            type=float,
            default=0.5,
            metavar="SECONDS",
            help="with --loop: wait while no site is marked (default: 0.5)",
        )

    def handle(self, *, loop: bool, interval: float, **_options: Any) -> None:
        if not 0.01 <= interval <= 3600:
            raise CommandError(
                f"--interval {interval:g}: expected 0.01 to 3600 seconds", returncode=BAD_INPUT
            )
        stop = threading.Event()
        before = {
            number: signal.signal(number, lambda _number, _frame: stop.set())
            for number in (signal.SIGTERM, signal.SIGINT)
        }
        try:
            if loop:
                with companions(stop):
                    swept = sweep_until(stop, interval_s=interval)
            else:
                swept = sweep(stop=stop)
                companions_once(stop)
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)
        self.stdout.write(f"{sites_recomputed(swept.checked)} {len(swept.failed)} failed.")
        if swept.failed and not loop:
            sys.exit(FAILED)
