"""Every GET route, asked of the same sites' things in a large fleet and in a small one: rows read, pages
touched and time, a line a route, of the address that grows most. What is asked is the same in both, so
nothing may grow, unless the answer itself is of more sites (``OF_MORE_SITES``). Then sheet, load and lists
against their bare rows.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Mapping
from typing import Any

from tests.bench import bare_rows
from tests.bench.asking import BY_INDEX
from tests.bench.fleets import sizes, small_fleet
from tests.bench.in_turns import Asked, ask_in_turns
from tests.bench.lines import Line, line

NAME = "routes"
CASES = ("fleet", "rows")
TOGETHER = False
FEW = 200
"""Sites of the small fleet; half of the large one, where that has fewer than twice as many."""
GOALS = {"rows": 1.3, "pages": 1.3, "seconds": 1.3}
FLOORS = {"rows": 200.0, "pages": 400.0, "seconds": 0.010}
"""Smaller figures count as these: of few rows and pages a fifth is chance, and the clock is not finer."""
LEFT_OUT = ("/api/v1/search",)
"""It looks through all names for what is written like the words: `search` is a benchmark of its own."""

OF_MORE_SITES = {
    "/api/v1/findings": "of all customers, the 20 worst of many sites are of 20 sites, those of few sites of "
    "fewer; what may hurt in a closet is read once for all findings there",
}
"""Routes whose page is of more sites where there are more, with the reason. They may cost as much more as
there are sites in the answer: `sites_large` and `sites_small` in the line, whose growth is in the goal."""


def cases(wanted: tuple[str, ...], sites: int) -> Iterator[Line]:
    if "fleet" in wanted:
        yield from _of_fleets(sites)
    if "rows" in wanted:
        yield from bare_rows.lines()


def _of_fleets(sites: int) -> Iterator[Line]:
    many = {**os.environ, "ZONEBOOK_REQUESTS_PER_MINUTE": "9999999"}
    of_routes: dict[str, list[Asked]] = {}
    with small_fleet(many, max(10, min(FEW, sites // 2))) as few:
        few |= {BY_INDEX: "on"}
        for asked in ask_in_turns(many, few, in_doubt=lambda asked: bool(_grown(asked))):
            if asked.route not in LEFT_OUT:
                of_routes.setdefault(asked.route, []).append(asked)
                for measure in _grown(asked):
                    said = f"{asked.second[measure]:g} -> {asked.first[measure]:g}"
                    print(f"{asked.route}?{asked.query}: {measure} {said}", file=sys.stderr)
    fleet = sizes()
    for route, addresses in of_routes.items():
        yield _worst(route, addresses, fleet)


def _ratio(asked: Asked, measure: str) -> float:
    floor = FLOORS[measure]
    return max(asked.first[measure], floor) / max(asked.second[measure], floor)


def _goal(asked: Asked, measure: str) -> float:
    many, few = (max(costs["sites"], 1.0) for costs in (asked.first, asked.second))
    return GOALS[measure] * (max(many / few, 1.0) if asked.route in OF_MORE_SITES else 1.0)


def _grown(asked: Asked) -> list[str]:
    return [measure for measure in GOALS if _ratio(asked, measure) > _goal(asked, measure)]


def _worst(route: str, addresses: list[Asked], fleet: Mapping[str, Any]) -> Line:
    """The line of the address and the measure that grow most, beside their goals."""
    asked, measure = max(
        ((asked, measure) for asked in addresses for measure in GOALS),
        key=lambda one: _ratio(*one) / _goal(*one),
    )
    counted = {"addresses": len(addresses)} | {
        f"{name}_{size}": round(costs[name], 4)
        for name in (*GOALS, "counted", "sites")
        for size, costs in (("large", asked.first), ("small", asked.second))
    }
    return line(
        NAME,
        f"{route.removeprefix('/api/v1/')}{'?' if asked.query else ''}{asked.query} {measure}",
        max(asked.first[measure], FLOORS[measure]),
        max(asked.second[measure], FLOORS[measure]),
        goal=float(f"{_goal(asked, measure):.3g}"),
        sizes={**fleet, **counted},
        peak=max(one.first["peak_rss_mb"] for one in addresses),
    )
