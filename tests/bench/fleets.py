"""What benchmarks do to a fleet, and say of it."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from django.db import connection, connections

from api.events.publisher import publish
from api.management.commands.bench import WRITE_FLEET
from sites.changes.services import Change, change_accept
from sites.models.changes import ChangeSet
from zones.recheck.sweep import look_once


def tidy() -> None:
    """As autovacuum does, but not in the middle of what is timed."""
    with connections["owner"].cursor() as cursor:
        cursor.execute("VACUUM ANALYZE")


def settle() -> None:
    """Recompute the marked sites, and publish what that told of: a look at one change would."""
    while look_once() is not None:
        pass
    while publish():
        pass


def add_speakers(site_id: int, run_id: int, count: int, *, reason: str) -> int:
    """At the end of a run, as a person adds them. Returns the id of the change set."""
    speaker = {
        "op": "point.append", "run_id": run_id, "kind": "device", "device_kind": "ceiling_speaker",
        "length_m": 20.0, "length_basis": "measured",
    }  # fmt: skip
    return accept(site_id, [speaker] * count, reason=reason)


def accept(site_id: int, operations: list[dict[str, Any]], *, reason: str) -> int:
    """Record operations on a site, as a person does. Returns the id of the change set."""
    change = Change(
        site_id=site_id,
        user=None,
        actor="Mara Ellingsworth",
        reason=reason,
        channel=ChangeSet.Channel.COMMAND,
    )
    return change_accept(change, operations).change_set.pk


def sizes() -> dict[str, int | float]:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT (SELECT count(*) FROM site), (SELECT count(*) FROM point), count(*) FROM figures"
        )
        sites, points, figures = cursor.fetchone()
    return {"sites": sites, "points": points, "figures": figures}


@contextmanager
def small_fleet(environment: Mapping[str, str], sites: int) -> Iterator[dict[str, str]]:
    """The environment of a fleet of so many sites, rechecked, in a database of its own."""
    with tempfile.TemporaryDirectory(prefix="zonebook-bench-", ignore_cleanup_errors=True) as scratch:
        Path(scratch).chmod(0o755)
        few = {**environment, "ZONEBOOK_DATA": scratch}
        run(["manage.py", "migrate", "--verbosity", "0"], few)
        run([*WRITE_FLEET, "--sites", str(sites)], few)
        run(["manage.py", "recheck", "--all"], few)
        yield few


def run(arguments: list[str], environment: Mapping[str, str]) -> str:
    """What a Python program prints."""
    program = [sys.executable, *arguments]
    return subprocess.run(
        program, env=dict(environment), check=True, stdout=subprocess.PIPE, text=True
    ).stdout
