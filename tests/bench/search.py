"""A closet found by parts of its names, misspelt, against the same rows read by their primary keys."""

from __future__ import annotations

import random
import statistics
from collections.abc import Iterator
from dataclasses import replace
from functools import partial

from sites.access.scope import EVERYTHING
from sites.models import Closet
from tests.bench.fleets import sizes
from tests.bench.lines import Line, line, peak_rss_mb, seconds
from zones.search import Found, search

NAME = "search"
CASES = ("misspelt",)
TOGETHER = False
QUERIES = 60
GOAL = 12.0
# The largest p95 at so many sites, and at more
P95_S, P95_OF_MORE_S, USUAL_SITES = 0.050, 0.100, 5000
LEAST_LETTERS = 4


def cases(_wanted: tuple[str, ...], sites: int) -> Iterator[Line]:
    rng = random.Random(3)
    ours, theirs = [], []
    for typed in _queries(rng):
        found = [one.id for one in _searched(typed)]
        ours.append(seconds(partial(_searched, typed)))
        theirs.append(seconds(partial(_read, found)))
    p95 = statistics.quantiles(ours, n=20)[-1]
    figure = line(
        NAME, "misspelt", statistics.median(ours), statistics.median(theirs), goal=GOAL,
        sizes={**sizes(), "queries": len(ours), "p95_ms": round(p95 * 1000, 1)}, peak=peak_rss_mb(),
    )  # fmt: skip
    yield replace(figure, met=figure.met and p95 <= (P95_S if sites <= USUAL_SITES else P95_OF_MORE_S))


def _searched(typed: str) -> list[Found]:
    return search(typed, scope=EVERYTHING, kinds=("closet",)).items


def _read(ids: list[int]) -> list[Closet]:
    return list(Closet.objects.filter(pk__in=ids).select_related("site__customer"))


def _queries(rng: random.Random) -> Iterator[str]:
    """A word of the site's name and one of the closet's, each with two letters changed places."""
    closets = list(Closet.objects.select_related("site").order_by("id"))
    for closet in rng.sample(closets, min(QUERIES, len(closets))):
        words = [rng.choice(name.split()) for name in (closet.site.name, closet.name)]
        yield " ".join(_misspelt(rng, word) for word in words)


def _misspelt(rng: random.Random, word: str) -> str:
    if len(word) < LEAST_LETTERS:
        return word
    place = rng.randrange(1, len(word) - 2)
    return word[:place] + word[place + 1] + word[place] + word[place + 2 :]
