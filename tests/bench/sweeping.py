"""A sweep of some of the fleet in a process of its own, for the memory that it takes."""

from __future__ import annotations

from collections.abc import Iterator

from django.db import connection

from tests.bench.lines import peak_rss_mb
from zones.recheck.recheck_queue import mark_outdated
from zones.recheck.sweep import sweep

CASES = ("all",)
TOGETHER = False


def cases(_wanted: tuple[str, ...], sites: int) -> Iterator[float]:
    """The peak [MB], once the first ``sites`` of the fleet are recomputed."""
    with connection.cursor() as cursor:
        cursor.execute(
            """UPDATE site_check SET solver_version = 0
               WHERE site_id IN (SELECT id FROM site ORDER BY id LIMIT %s)""",
            [sites],
        )
    mark_outdated()
    if sweep().failed:
        raise RuntimeError("some sites could not be recomputed")
    yield peak_rss_mb()
