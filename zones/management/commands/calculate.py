"""`manage.py calculate`: the voltages along a run that a file describes. Needs no database."""

import json
import sys
from argparse import RawDescriptionHelpFormatter
from pathlib import Path
from typing import IO, Any, cast

from django.core.management.base import BaseCommand, CommandError, CommandParser
from rich.console import Console
from rich.table import Table
from rich.text import Text

from zones.electrical.bad_input import BadInputError
from zones.electrical.described_run import DescribedRun, answer, describe
from zones.electrical.json_text import LARGEST_TEXT_BYTES, read
from zones.electrical.radial import Solution

BAD_INPUT, INFEASIBLE = 2, 3
ROWS_SHOWN = 1_000  # a table of 100,000 rows takes half a minute to lay out

EXPLANATION = """\
The voltage and the load current at every point of a run that a JSON file describes.

A run of two points, the second of them a bare splice:

  {"source": {"voltage_v": 24, "tolerance": 0.05, "internal_resistance_ohm": 0.2},
   "temperature_c": 20,
   "points": [
     {"id": "p1", "parent": null, "length_m": 10, "awg": 24, "parallel_pairs": 1,
      "load": {"current_a": 0.05}},
     {"id": "p2", "parent": "p1", "loop_resistance_ohm": 1.5}]}

A load is any sum of current_a, power_w and resistance_ohm. loop_resistance_ohm replaces length_m
and awg. The run is solved at voltage_v x (1 - tolerance).

Exit status: 0 solved, 2 bad input, 3 no solution exists."""

CAUTION = (
    "Local code, the authority having jurisdiction and licensed practice govern; this computes and approves "
    "nothing. Disconnect and check before touching."
)


class Command(BaseCommand):
    help = EXPLANATION
    requires_system_checks = []

    def create_parser(self, prog_name: str, subcommand: str, **kwargs: Any) -> CommandParser:
        kwargs["formatter_class"] = RawDescriptionHelpFormatter
        return super().create_parser(prog_name, subcommand, **kwargs)

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", metavar="FILE.json", help="the described run; - reads standard input")
        parser.add_argument("--json", action="store_true", help="print JSON instead of a table")

    def handle(self, *, file: str, **options: Any) -> None:
        try:
            run = describe(read(_bytes_of(file)))
        except BadInputError as error:
            raise CommandError(f"{file} cannot be computed.\n{error}", returncode=BAD_INPUT) from error
        solution = run.solve()
        found = answer(run, solution)
        if options["json"]:
            self.stdout.write(json.dumps(found, allow_nan=False))
        elif found["feasible"]:
            self.print_table(run, solution)
        else:
            self.stdout.write(f"No solution. {found['detail']}")
        if not found["feasible"]:
            sys.exit(INFEASIBLE)

    def print_table(self, run: DescribedRun, solution: Solution) -> None:
        table = Table(title=f"Solved at {run.source_voltage_v:.6g} V", title_justify="left")
        table.add_column("point", overflow="fold")
        for heading in ("voltage V", "drop %", "load A", "cable A"):
            table.add_column(heading, justify="right", no_wrap=True)
        by_voltage = solution.voltage_v.argsort(kind="stable")
        for row in sorted(by_voltage[:ROWS_SHOWN]):
            voltage = solution.voltage_v[row]
            table.add_row(
                Text(run.point_ids[row]),
                f"{voltage:.3f}",
                f"{100 * (1 - voltage / run.source_voltage_v):.2f}",
                f"{solution.load_current_a[row]:.4f}",
                f"{solution.branch_current_a[row]:.4f}",
            )
        console = Console(file=cast(IO[str], self.stdout), highlight=False)
        console.print(table)
        not_shown = by_voltage.size - table.row_count
        if not_shown:
            console.print(f"Points of higher voltage not shown: {not_shown}. --json prints all points.")
        lowest = by_voltage[0]
        summary = f"Lowest: {solution.voltage_v[lowest]:.3f} V at {run.point_ids[lowest]}."
        console.print(Text(f"{summary} Source: {solution.source_current_a[0]:.4f} A."))
        console.print(CAUTION)


def _bytes_of(file: str) -> bytes:
    try:
        if file == "-":
            return sys.stdin.buffer.read(LARGEST_TEXT_BYTES + 1)
        with Path(file).open("rb") as opened:
            return opened.read(LARGEST_TEXT_BYTES + 1)
    except OSError as error:
        raise CommandError(
            f"{file} cannot be read ({error.strerror}): expected a JSON file, or - for standard input",
            returncode=BAD_INPUT,
        ) from error
