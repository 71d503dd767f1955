"""A zone's years with all crossings, computed on demand, against one evaluation of the same zone."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator

from django.utils import timezone

from tests.bench.fleets import sizes
from tests.bench.lines import Line, compare
from zones.loads.histories import zone_history
from zones.loads.site_loads import site_loads
from zones.loads.zone_loads import loads_of_zones
from zones.models import Zone

NAME = "history"
CASES = ("zones",)
TOGETHER = False
ZONES = 30


def cases(_wanted: tuple[str, ...], _sites: int) -> Iterator[Line]:
    """Zones from all over the fleet, one after the other, as somebody opens their pages."""
    everything = Zone.objects.order_by("id").values_list("id", "site_id")
    zones = list(everything)[:: max(1, everything.count() // ZONES)][:ZONES]
    today = timezone.now().date()

    def each(action: Callable[[int, int, dt.date], object]) -> None:
        for zone_id, site_id in zones:
            action(zone_id, site_id, today)

    yield compare(
        NAME,
        "zones",
        lambda: each(zone_history),
        lambda: each(_evaluated),
        goal=3,
        sizes={**sizes(), "zones": len(zones), "steps": _steps(zones, today)},
    )


def _evaluated(zone_id: int, site_id: int, day: dt.date) -> object:
    return loads_of_zones(site_loads(site_id, day), [zone_id])


def _steps(zones: list[tuple[int, int]], today: dt.date) -> int:
    """Changes of figures that the histories tell, so that it is known what was measured."""
    return sum(len(line.entries) for zone in zones for line in zone_history(*zone, today))
