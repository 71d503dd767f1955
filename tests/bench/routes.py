"""Every GET route, asked of the same sites' things in a large fleet and in a small one: rows read, pages
touched and time, a line a route, of the address that grows most. What is asked is the same in both, so
nothing may grow. Then sheet, load and lists against their bare rows.
"""

from __future__ import annotations

import json
import os
import sys
from collections import defaultdict
from collections.abc import Iterator, Mapping
from typing import Any

from tests.bench import bare_rows
from tests.bench.fleets import run, sizes, small_fleet
from tests.bench.lines import Line, line

NAME = "routes"
CASES = ("fleet", "rows")
TOGETHER = False
FEW, TIMES_MORE = 200, 25
"""Sites of the small fleet; fewer, where the large one has less than so many times more."""
GOALS = {"rows": 1.3, "pages": 1.3, "seconds": 1.3}
FLOORS = {"rows": 200.0, "pages": 400.0, "seconds": 0.010}
"""What is below counts as so much: of few rows and pages a fifth is chance, and the clock is no finer."""
LEFT_OUT = ("/api/v1/search",)
"""It looks through all names for what is written like the words: `search` is a benchmark of its own."""

Costs = dict[str, float]


def cases(wanted: tuple[str, ...], sites: int) -> Iterator[Line]:
    if "fleet" in wanted:
        yield from _of_fleets(sites)
    if "rows" in wanted:
        yield from bare_rows.lines()


def _of_fleets(sites: int) -> Iterator[Line]:
    many = {**os.environ, "ZONEBOOK_REQUESTS_PER_MINUTE": "9999999"}
    with small_fleet(many, max(10, min(FEW, sites // TIMES_MORE))) as few:
        large, peak = _asked(sites, many)
        small, _ = _asked(sites, few)
    if large.keys() != small.keys():
        raise RuntimeError(f"not asked of both fleets: {sorted(large.keys() ^ small.keys())}")
    of_routes: dict[str, list[tuple[str, str]]] = defaultdict(list)
    for route, asked in (one for one in large if one[0] not in LEFT_OUT):
        of_routes[route].append((route, asked))
    fleet = sizes()
    for route, addresses in of_routes.items():
        yield _worst(route, [(one, large[one], small[one]) for one in addresses], fleet, peak)


def _worst(
    route: str, asked: list[tuple[tuple[str, str], Costs, Costs]], fleet: Mapping[str, Any], peak: float
) -> Line:
    """The line of the address and the measure that grow most."""
    found = [
        (max(ours[measure], floor) / max(theirs[measure], floor), address, measure, ours, theirs)
        for address, ours, theirs in asked
        for measure, floor in FLOORS.items()
    ]
    for ratio, (_, query), measure, ours, theirs in found:
        if ratio > GOALS[measure]:
            print(f"{route}?{query}: {measure} {theirs[measure]:g} -> {ours[measure]:g}", file=sys.stderr)
    _, (_, query), measure, ours, theirs = max(found, key=lambda one: one[0])
    case = f"{route.removeprefix('/api/v1/')}{'?' if query else ''}{query} {measure}"
    floor = FLOORS[measure]
    counted = {"addresses": len(asked)} | {
        f"{name}_{size}": round(costs[name], 4)
        for name in FLOORS
        for size, costs in (("large", ours), ("small", theirs))
    }
    return line(
        NAME,
        case,
        max(ours[measure], floor),
        max(theirs[measure], floor),
        goal=GOALS[measure],
        sizes={**fleet, **counted},
        peak=peak,
    )


def _asked(sites: int, environment: Mapping[str, str]) -> tuple[dict[tuple[str, str], Costs], float]:
    """The costs in a fleet by route and query, the most of those that read alike; and the memory taken."""
    printed = run(["-m", "tests.bench", "asking", "--sites", str(sites)], environment)
    found: dict[tuple[str, str], Costs] = {}
    peak = 0.0
    for each in map(json.loads, printed.splitlines()):
        if "peak_rss_mb" in each:
            peak = each["peak_rss_mb"]
            continue
        address = (each.pop("route"), each.pop("asked"))
        kept = found.setdefault(address, each)
        found[address] = {name: max(kept[name], each[name]) for name in each}
    return found, peak
