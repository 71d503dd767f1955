"""`manage.py verify`: every check of CI."""

import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser

MANAGE = "manage.py"


@dataclass(frozen=True)
class Step:
    """A check, and its program: of this environment, or manage.py."""

    name: str
    about: str
    program: str
    arguments: tuple[str, ...] = ()

    def command(self) -> list[str] | None:
        """The command line; None where the program is not installed."""
        if self.program == MANAGE:
            return [sys.executable, str(settings.BASE_DIR / MANAGE), *self.arguments]
        found = shutil.which(self.program, path=str(Path(sys.executable).parent))
        return [found, *self.arguments] if found else None


STEPS = (
    Step("lint", "mistakes and habits", "ruff", ("check",)),
    Step("format", "layout of the code", "ruff", ("format", "--check")),
    Step("types", "types", "mypy"),
    Step("arrows", "what may import what", "lint-imports"),
    Step("migrations", "models without a migration", MANAGE, ("makemigrations", "--check", "--dry-run")),
    Step("tests", "the tests", "pytest", ("-q", "-n", "auto")),
)


class Command(BaseCommand):
    help = "Run every check of CI: " + "; ".join(f"{step.name} ({step.about})" for step in STEPS) + "."

    def add_arguments(self, parser: CommandParser) -> None:
        names = [step.name for step in STEPS]
        parser.add_argument(
            "--without", action="append", default=[], choices=names, help="leave a step out; may be repeated"
        )
        parser.add_argument(
            "--only", action="append", default=[], choices=names, help="run this step; may be repeated"
        )

    def handle(self, *, without: list[str], only: list[str], **options: Any) -> None:
        steps = [step for step in STEPS if step.name not in without and (not only or step.name in only)]
        missing = sorted({step.program for step in steps if step.command() is None})
        if missing:
            raise CommandError(
                f"not installed: {', '.join(missing)}. Run: pip install -r requirements-dev.txt"
            )
        failed = run(steps, say=self._say)
        if failed:
            raise CommandError(f"failed: {', '.join(failed)}")
        self._say(f"passed: {len(steps)} of {len(steps)} steps")

    def _say(self, line: str) -> None:
        # flushed before a step writes to the same terminal
        self.stdout.write(line)
        self.stdout.flush()


def run(steps: Sequence[Step], *, say: Callable[[str], None]) -> list[str]:
    """Names of the steps that failed, after running every step."""
    results: list[tuple[Step, bool, float]] = []
    for step in steps:
        say(f"── {step.name}: {step.about}")
        started = time.monotonic()
        passed = (
            subprocess.run(step.command() or ["false"], cwd=settings.BASE_DIR, check=False).returncode == 0
        )
        results.append((step, passed, time.monotonic() - started))
    for step, passed, seconds in results:
        say(f"{'passed' if passed else 'FAILED':7} {seconds:7.1f} s  {step.name}")
    return [step.name for step, passed, _ in results if not passed]
