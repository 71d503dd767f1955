"""Every GET address asked of two fleets in turns: what else the machine does strikes both alike."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from typing import Any, Final, NamedTuple

NEXT: Final = "next"
AGAIN: Final = "again"
"""What `asking` is told, in a line: to ask for its next address, or for the same once more."""
MOST_TURNS: Final = 8
PROGRAM: Final = (sys.executable, "-m", "tests.bench", "asking", "--sites", "0")

Costs = dict[str, float]
"""By measure."""


class Asked(NamedTuple):
    """One address and what it costs in both fleets. query: in short."""

    route: str
    query: str
    first: Costs
    second: Costs

    def least(self, again: Asked) -> Asked:
        """Of each measure the lower figure."""
        return self._replace(first=_least(self.first, again.first), second=_least(self.second, again.second))


def ask_in_turns(
    first: Mapping[str, str], second: Mapping[str, str], *, in_doubt: Callable[[Asked], bool]
) -> Iterator[Asked]:
    """Every address of two fleets, given their environments.

    in_doubt: whether to ask once more. Of each measure the least counts, since other work only adds to it.
    """
    with ExitStack() as stack:
        fleets = [stack.enter_context(_asking(environment)) for environment in (first, second)]
        while asked := _asked(fleets, NEXT):
            for _ in range(MOST_TURNS - 1):
                if not in_doubt(asked):
                    break
                asked = asked.least(_asked(fleets, AGAIN) or asked)
            yield asked


@contextmanager
def _asking(environment: Mapping[str, str]) -> Iterator[subprocess.Popen[str]]:
    with subprocess.Popen(
        PROGRAM, env=dict(environment), stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        yield process


def _asked(fleets: list[subprocess.Popen[str]], told: str) -> Asked | None:
    """The answers of both; None where both have asked for all."""
    answers = [_answer(fleet, told) for fleet in fleets]
    addresses = {answer and (answer.pop("route"), answer.pop("asked")) for answer in answers}
    if len(addresses) > 1:
        raise RuntimeError(f"the two fleets were asked for different things: {addresses}")
    first, second = answers
    (address,) = addresses
    return Asked(*address, first, second) if address and first and second else None


def _answer(fleet: subprocess.Popen[str], told: str) -> dict[str, Any] | None:
    assert fleet.stdin
    assert fleet.stdout
    print(told, file=fleet.stdin, flush=True)
    if answered := fleet.stdout.readline():
        return dict(json.loads(answered))
    if fleet.wait():
        raise subprocess.CalledProcessError(fleet.returncode, fleet.args)
    return None


def _least(costs: Costs, again: Costs) -> Costs:
    return {measure: min(value, again[measure]) for measure, value in costs.items()}
