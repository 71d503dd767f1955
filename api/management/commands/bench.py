"""`manage.py bench [NAME ...]`: the benchmarks of tests/bench/, as ratios to a yardstick."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from argparse import ArgumentTypeError
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser

SITES = 5000
MOST_IMPORTED = 100
"""Sites that are imported: some 40,000 rows, a typical import."""
NEEDS_NO_FLEET = "solver"
COUNTS = "structure"
"""Counts statements and imports: in a database without a fleet, so that it always counts the same."""
IMPORTS = "import"
RECHECKS = "recheck-all"
ROUTES = "routes"
USES_BROKER = "one-change"
BENCHES = (
    COUNTS,
    NEEDS_NO_FLEET,
    IMPORTS,
    RECHECKS,
    ROUTES,
    USES_BROKER,
    "interactive",
    "list",
    "history",
    "search",
    "pages",
    "publish",
    "feed",
    "deliver",
    "tests",
)
"""In this order: the first recheck of the fleet comes before the benchmarks that need its figures, and those
that ask for the same in a small fleet before the others, which change sites."""
NEED_NO_FIGURES = (NEEDS_NO_FLEET, IMPORTS, RECHECKS)
WRITE_FLEET = ("manage.py", "fleet", "--workers", "1", "--verbosity", "0")
"""One worker, so that ids follow the order of the sites: the first things by id are of the same sites in a
fleet of any size."""


def _sites(text: str) -> int:
    if not text.isdecimal() or not 10 <= int(text) <= 100_000:
        raise ArgumentTypeError(f"{text!r}: expected a whole number from 10 to 100000")
    return int(text)


def _bench(text: str) -> str:
    if text not in BENCHES:
        raise ArgumentTypeError(f"invalid choice: {text!r} (choose from {', '.join(BENCHES)})")
    return text


class Command(BaseCommand):
    help = (
        "Run all benchmarks, or those named. They print one JSON line a case: our time and a yardstick's, "
        "measured side by side in one process, and the largest allowed ratio. structure measures no time: it "
        "counts code, imports, statements and functions. The benchmarks write a fleet into a temporary "
        "database. Progress goes to standard error."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        # Not by `choices`: with "*", Python 3.11 refuses no name at all
        parser.add_argument("names", nargs="*", type=_bench, metavar="NAME", help=", ".join(BENCHES))
        parser.add_argument(
            "--sites", type=_sites, default=SITES, metavar="N", help=f"size of the fleet (default: {SITES})"
        )

    def handle(self, *, names: Sequence[str], sites: int, **_options: Any) -> None:
        for needed in ("scipy", "tests.bench"):
            if find_spec(needed) is None:
                raise CommandError(f"{needed} is missing: install requirements-dev.txt in a full checkout.")
        wanted = [bench for bench in BENCHES if bench in names or not names]
        if COUNTS in wanted:
            with self._database() as (own, _broker):
                self._run(["manage.py", "migrate", "--verbosity", "0"], own)
                self._run(["-m", "tests.bench", COUNTS, "--sites", str(sites)], own)
        timed = [bench for bench in wanted if bench != COUNTS]
        if timed:
            with self._database() as (own, broker):
                self._time(timed, sites, own, broker)

    @contextmanager
    def _database(self) -> Iterator[tuple[dict[str, str], str]]:
        """Environment variables of a temporary database, and the caller's broker."""
        with tempfile.TemporaryDirectory(prefix="zonebook-bench-", ignore_cleanup_errors=True) as scratch:
            # without the caller's database, so that no benchmark writes there
            own = {key: value for key, value in os.environ.items() if not key.startswith("DATABASE_")}
            broker = own.pop("CELERY_BROKER_URL", "")
            own |= {
                "ZONEBOOK_ENVIRONMENT": "demo",
                "ZONEBOOK_DATA": scratch,
                "ZONEBOOK_LOG_LEVEL": "ERROR",
                "DJANGO_SETTINGS_MODULE": "api.settings",
            }
            Path(scratch).chmod(0o755)
            yield own, broker

    def _time(self, wanted: Sequence[str], sites: int, own: dict[str, str], broker: str) -> None:
        of_a_fleet = {*wanted} - {NEEDS_NO_FLEET}
        if of_a_fleet:
            self._write_fleet(min(sites, MOST_IMPORTED) if of_a_fleet == {IMPORTS} else sites, own)
        if RECHECKS not in wanted and not of_a_fleet <= {*NEED_NO_FIGURES}:
            self._run(["manage.py", "recheck", "--all"], own, shown=False)
        for bench in wanted:
            with_broker = {"CELERY_BROKER_URL": broker} if bench == USES_BROKER else {}
            self._run(["-m", "tests.bench", bench, "--sites", str(sites)], own | with_broker)

    def _write_fleet(self, sites: int, environment: Mapping[str, str]) -> None:
        self.stderr.write(f"writing a fleet of {sites} sites")
        self._run(["manage.py", "migrate", "--verbosity", "0"], environment)
        self._run([*WRITE_FLEET, "--sites", str(sites)], environment, shown=False)

    def _run(self, arguments: list[str], environment: Mapping[str, str], *, shown: bool = True) -> None:
        self.stdout.flush()
        done = subprocess.run(
            [sys.executable, *arguments],
            cwd=settings.BASE_DIR,
            env=dict(environment),
            stdout=None if shown else subprocess.DEVNULL,
        )
        if done.returncode:
            raise CommandError(f"{' '.join(arguments)} ended with {done.returncode}")
