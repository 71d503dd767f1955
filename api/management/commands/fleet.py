"""`manage.py fleet --sites N --seed S`: a synthetic fleet with plausible drift."""

from __future__ import annotations

import json
import time
from argparse import ArgumentTypeError
from collections.abc import Callable
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from fixtures.fleets.writer import FleetExistsError, Written, write_fleet


def _whole_number(least: int, most: int) -> Callable[[str], int]:
    def read(text: str) -> int:
        try:
            number = int(text)
        except ValueError:
            number = least - 1
        if not least <= number <= most:
            raise ArgumentTypeError(f"{text!r}: expected a whole number from {least} to {most}")
        return number

    return read


class Command(BaseCommand):
    help = (
        "Write a synthetic fleet into the record: invented sites with years of changes, some of them a step "
        "too far. The same seed gives the same fleet. It goes into a record that has none yet."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--sites", type=_whole_number(1, 1_000_000), required=True, metavar="N", help="how many sites"
        )
        parser.add_argument(
            "--seed", type=_whole_number(0, 2**63), default=1, metavar="S", help="which fleet (default: 1)"
        )
        parser.add_argument(
            "--workers", type=_whole_number(1, 64), default=2, metavar="W",
            help="connections that write at the same time (default: 2)",
        )  # fmt: skip
        parser.add_argument("--json", action="store_true", help="print the summary as JSON")

    def handle(self, *args: Any, **options: Any) -> None:
        started = time.perf_counter()
        columns = (TextColumn("sites"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
        with Progress(*columns, console=Console(stderr=True), disable=options["verbosity"] == 0) as progress:
            task = progress.add_task("sites", total=options["sites"])

            def show(written: Written) -> None:
                progress.advance(task, written.sites)

            try:
                written = write_fleet(
                    sites=options["sites"], seed=options["seed"], workers=options["workers"], on_batch=show
                )
            except FleetExistsError as error:
                raise CommandError(str(error)) from error
        seconds = time.perf_counter() - started
        summary = {**written.__dict__, "seconds": round(seconds, 2)}
        if options["json"]:
            self.stdout.write(json.dumps(summary))
            return
        self.stdout.write(
            f"{written.sites} sites, {written.zones} zones, {written.runs} runs and {written.points} points "
            f"in {written.change_sets} change sets, written in {seconds:.1f} s."
        )
