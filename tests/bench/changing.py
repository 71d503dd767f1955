"""Changes of a few sites of a fleet, each followed by the look of the sweeper that finds what it did."""

from __future__ import annotations

import json
import statistics
from collections.abc import Iterator

from sites.models import Site
from sites.models.changes import ChangeSet
from tests.bench.counting import counted
from tests.bench.fleets import add_speakers, settle, tidy
from tests.bench.lines import peak_rss_mb
from zones.models import Finding, Run
from zones.recheck.sweep import look_once

CASES = ("changes",)
TOGETHER = False
ROUNDS, SITES_A_ROUND = 40, 4
"""In a small fleet fewer, since each of its sites is changed once."""
SPEAKERS, REASON = 60, "more speakers"


def cases(_wanted: tuple[str, ...], sites: int) -> Iterator[str]:
    """Medians, as JSON: seconds from the commit to the committed finding, and pages of the database touched
    meanwhile, counted as `counting` says. The sites are the first of the fleet, which are the same for every
    size, and each is changed once."""
    settle()
    # afterwards, so that the planner's statistics are of what the fleet's recheck left behind
    tidy()
    idle = min(counted(lambda: None).pages for _ in range(3))
    took, touched = [], []
    for run in _runs(min(ROUNDS, sites // SITES_A_ROUND)):
        change_set_id = add_speakers(run.site_id, run.pk, SPEAKERS, reason=REASON)
        cost = counted(look_once)
        took.append(cost.seconds)
        touched.append(cost.pages - idle)
        _require_named(run.site_id, change_set_id)
    medians = {"seconds": statistics.median(took), "buffers": statistics.median(touched)}
    yield json.dumps({**medians, "peak_rss_mb": peak_rss_mb()})


def _runs(rounds: int) -> list[Run]:
    """A run of each of some sites that no earlier round has changed."""
    changed = ChangeSet.objects.filter(reason=REASON).values("site")
    sites = Site.objects.exclude(pk__in=changed).order_by("pk").values_list("pk", flat=True)[:rounds]
    runs = Run.objects.filter(site__in=list(sites), kind=Run.Kind.SELF_AMPLIFIED, end_step__isnull=True)
    return list({run.site_id: run for run in runs.order_by("-pk")}.values())


def _require_named(site_id: int, change_set_id: int) -> None:
    """What was waited for is there: a finding of this site that names the change."""
    attributions = Finding.objects.filter(site=site_id).values_list("attribution", flat=True)
    if not any(str(change_set_id) in json.dumps(one) for one in attributions):
        raise RuntimeError(f"no finding of site {site_id} names change set {change_set_id}")
