"""`manage.py collect FILE --state idle`: read what switches deliver by SNMP, and send it to the service."""

from __future__ import annotations

import argparse
import asyncio
import datetime as dt
import json
import sys
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from django.core.management.base import BaseCommand, CommandError, CommandParser

from api.collector.port_differences import NumberingError, port_differences
from api.collector.service import Service, ServiceError
from api.collector.snmp import SwitchError, Told, read_switch
from api.collector.switch_list import EXAMPLE, Listed, ListError, read_list
from zones.models import Test

BAD_INPUT: Final = 2
_AT_ONCE: Final = 20

EXPLANATION = f"""\
Read what each power-supply group of switches delivers (RFC 3621, by SNMP v3) and record it with the service,
a test of kind poe_power for each group. Then say which ports differ from the record: power where it has no
device, a device without power, another class. It runs where the switches can be reached, and needs no
database.

The file, which its owner alone may read (chmod 600):

{textwrap.indent(EXAMPLE, "  ")}
Exit status: 0 all were read and recorded, 1 some were not, 2 bad input."""


@dataclass
class Outcome:
    """What became of one switch. error: blank: nothing is wrong. differences: of its ports from the record;
    not_compared: why they are not known, blank: they are."""

    switch: Listed
    told: Told | None = None
    read_at: dt.datetime | None = None
    name: str = ""
    test_ids: list[int] = field(default_factory=list)
    error: str = ""
    differences: list[str] = field(default_factory=list)
    not_compared: str = ""

    @property
    def words(self) -> str:
        """``SW 7, switch 41 (10.4.0.2): group 1 48 W, group 2 31 W; recorded as tests 311, 312``."""
        said = []
        if self.told is not None:
            said.append(", ".join(f"group {one.number} {one.power_w} W" for one in self.told.groups))
        if self.error:
            said.append(f"not recorded: {self.error}" if said else self.error)
        elif self.test_ids:
            said.append(f"recorded as tests {', '.join(map(str, self.test_ids))}")
        else:
            said.append("not sent")
        if self.not_compared:
            said.append(f"ports not compared with the record: {self.not_compared}")
        name = f"{self.name}, " if self.name else ""
        return f"{name}switch {self.switch.id} ({self.switch.login.address}): {'; '.join(said)}"

    @property
    def document(self) -> dict[str, Any]:
        told = self.told
        return {
            "switch_id": self.switch.id,
            "address": self.switch.login.address,
            "read_at": None if self.read_at is None else f"{self.read_at:%Y-%m-%dT%H:%M:%SZ}",
            "groups": [vars(one) for one in told.groups] if told else [],
            "ports": [
                {
                    "group": one.group,
                    "number": one.number,
                    "detection": None if one.detection is None else one.detection.words,
                    "poe_class": one.poe_class,
                }
                for one in (told.ports if told else ())
            ],
            "test_ids": self.test_ids,
            "differences": self.differences,
            "not_compared": self.not_compared or None,
            "error": self.error or None,
        }


class Command(BaseCommand):
    help = EXPLANATION
    requires_system_checks = []

    def create_parser(self, prog_name: str, subcommand: str, **kwargs: Any) -> CommandParser:
        kwargs["formatter_class"] = argparse.RawDescriptionHelpFormatter
        return super().create_parser(prog_name, subcommand, **kwargs)

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", metavar="FILE", type=Path, help="the switches and the credentials")
        parser.add_argument(
            "--state",
            choices=[state.value for state in Test.State],
            required=True,
            help="what the system does meanwhile: idle, or paging",
        )
        parser.add_argument("--dry-run", action="store_true", help="read and print, send nothing")
        parser.add_argument("--ports", action="store_true", help="print each port with its status and class")
        parser.add_argument("--json", action="store_true", help="print JSON, the ports included")

    def handle(self, *, file: Path, state: str, **options: Any) -> None:
        try:
            listed = read_list(file)
        except ListError as error:
            raise CommandError(str(error), returncode=BAD_INPUT) from error
        outcomes = asyncio.run(read_all(listed.switches))
        if not options["dry_run"]:
            service = Service(listed.service, listed.token)
            for outcome in outcomes:
                _record(service, outcome, state)
        if options["json"]:
            self.stdout.write(json.dumps([outcome.document for outcome in outcomes]))
        for outcome in outcomes:
            self._print(outcome, ports=options["ports"], as_json=options["json"])
        if any(outcome.error for outcome in outcomes):
            sys.exit(1)

    def _print(self, outcome: Outcome, *, ports: bool, as_json: bool) -> None:
        if outcome.error:
            self.stderr.write(outcome.words)
        elif not as_json:
            self.stdout.write(outcome.words)
        if ports and outcome.told and not as_json:
            for one in outcome.told.ports:
                self.stdout.write(f"  group {one.group}, {one.words}")
        if not as_json:
            for said in outcome.differences:
                self.stdout.write(f"  {said}")


async def read_all(switches: Sequence[Listed]) -> list[Outcome]:
    """Read the switches, some at a time; one that cannot be read holds up no other."""
    turns = asyncio.Semaphore(_AT_ONCE)

    async def read(switch: Listed) -> Outcome:
        async with turns:
            try:
                told = await read_switch(switch.login, switch.groups)
            except SwitchError as error:
                return Outcome(switch, error=str(error))
            return Outcome(switch, told, dt.datetime.now(dt.UTC))

    return list(await asyncio.gather(*map(read, switches)))


def _record(service: Service, outcome: Outcome, state: str) -> None:
    if outcome.told is None or outcome.read_at is None:
        return
    try:
        known = service.switch(outcome.switch.id)
        outcome.name = known.name
        outcome.test_ids = service.record(known, outcome.told.groups, state, outcome.read_at)
    except ServiceError as error:
        outcome.error = str(error)
        return
    try:
        recorded = service.ports(known, outcome.read_at)
        outcome.differences = port_differences(outcome.told.ports, recorded)
    except (ServiceError, NumberingError) as error:
        outcome.not_compared = str(error)
