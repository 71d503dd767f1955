"""How long rechecks take, added up by lane for an operator's monitoring."""

from __future__ import annotations

from django.db import connection

from sites.models.changes import Mark

_ADD = """
INSERT INTO recheck_time AS t (lane, batches, sites, seconds) VALUES (%s, 1, %s, %s)
ON CONFLICT (lane) DO UPDATE SET batches = t.batches + 1, sites = t.sites + excluded.sites,
    seconds = t.seconds + excluded.seconds
"""


def add_recheck_time(lane: Mark.Lane, sites: int, seconds: float) -> None:
    """Add a batch of ``sites`` that took ``seconds``. Not within the batch's transaction: two sweeps would
    wait for each other's row, and one of them begin its batch again."""
    with connection.cursor() as cursor:
        cursor.execute(_ADD, [lane, sites, seconds])
