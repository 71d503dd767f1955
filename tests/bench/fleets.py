"""What benchmarks do to a fleet, and say of it."""

from __future__ import annotations

from django.db import connection, connections

from sites.changes.services import Change, change_accept
from sites.models.changes import ChangeSet
from zones.recheck.sweep import look_once


def tidy() -> None:
    """As autovacuum does, but not in the middle of what is timed."""
    with connections["owner"].cursor() as cursor:
        cursor.execute("VACUUM ANALYZE")


def settle() -> None:
    """Recompute whatever is marked."""
    while look_once() is not None:
        pass


def add_speakers(site_id: int, run_id: int, count: int, *, reason: str) -> int:
    """At the end of a run, as a person adds them. Returns the id of the change set."""
    change = Change(
        site_id=site_id,
        user=None,
        actor="Mara Ellingsworth",
        reason=reason,
        channel=ChangeSet.Channel.COMMAND,
    )
    speaker = {
        "op": "point.append", "run_id": run_id, "kind": "device", "device_kind": "ceiling_speaker",
        "length_m": 20.0, "length_basis": "measured",
    }  # fmt: skip
    return change_accept(change, [speaker] * count).change_set.pk


def sizes() -> dict[str, int | float]:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT (SELECT count(*) FROM site), (SELECT count(*) FROM point), count(*) FROM figures"
        )
        sites, points, figures = cursor.fetchone()
    return {"sites": sites, "points": points, "figures": figures}
