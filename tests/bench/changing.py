"""Changes of a few sites of a fleet, each followed by the look of the sweeper that finds what it did."""

from __future__ import annotations

import json
import statistics
import time
from collections.abc import Iterator

from django.db import connection, connections

from sites.changes.models import ChangeSet
from sites.changes.services import Change, change_accept
from sites.models import Site
from tests.bench.lines import peak_rss_mb
from zones.findings.models import Finding
from zones.models import Run
from zones.recheck.sweep import look_once

CASES = ("changes",)
TOGETHER = False
ROUNDS, SITES_A_ROUND = 40, 4
"""In a small fleet fewer, since each of its sites is changed once."""
SPEAKERS = 60


def cases(_wanted: tuple[str, ...], sites: int) -> Iterator[str]:
    """Medians, as JSON: seconds from the commit to the committed finding, and pages of the database touched
    meanwhile, whether or not they were in its memory. The sites are the first of the fleet, which are the
    same whatever its size, and each is changed once."""
    with connections["owner"].cursor() as cursor:
        cursor.execute("VACUUM ANALYZE")
    while look_once() is not None:
        pass
    took, touched = [], []
    for run in _runs(min(ROUNDS, sites // SITES_A_ROUND)):
        change = Change(
            site_id=run.site_id, user=None, actor="Mara Ellingsworth", reason="more speakers",
            door=ChangeSet.Door.COMMAND,
        )  # fmt: skip
        body = {"op": "point.append", "run": run.pk, "kind": "device", "device_kind": "ceiling_speaker"}
        accepted = change_accept(change, [{**body, "length_m": 20.0, "length_basis": "measured"}] * SPEAKERS)
        before, began = _pages(), time.perf_counter()
        look_once()
        took.append(time.perf_counter() - began)
        touched.append(_pages() - before)
        _require_named(run.site_id, accepted.change_set.pk)
    told = {"seconds": statistics.median(took), "buffers": statistics.median(touched)}
    yield json.dumps({**told, "peak_rss_mb": peak_rss_mb()})


def _runs(rounds: int) -> list[Run]:
    """A run of each of some sites that no earlier round has changed."""
    changed = ChangeSet.objects.filter(reason="more speakers").values("site")
    sites = Site.objects.exclude(pk__in=changed).order_by("pk").values_list("pk", flat=True)[:rounds]
    runs = Run.objects.filter(site__in=list(sites), kind=Run.Kind.SELF_AMPLIFIED, end_step__isnull=True)
    return list({run.site_id: run for run in runs.order_by("-pk")}.values())


def _require_named(site_id: int, change_set_id: int) -> None:
    """What was waited for is there: a finding of this site that names the change."""
    told = Finding.objects.filter(site=site_id).values_list("attribution", flat=True)
    if not any(str(change_set_id) in json.dumps(one) for one in told):
        raise RuntimeError(f"no finding of site {site_id} names change set {change_set_id}")


def _pages() -> int:
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_stat_force_next_flush()")
        cursor.execute("SELECT pg_stat_clear_snapshot()")
        cursor.execute("SELECT blks_hit + blks_read FROM pg_stat_database WHERE datname = current_database()")
        return int(cursor.fetchone()[0])
