"""Rules of runs: what may feed each kind."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from sites.changes.errors import Problem
from sites.wording import with_article
from zones.models import Run

FED_BY: dict[str, tuple[str, ...]] = {
    Run.Kind.SELF_AMPLIFIED: ("output", "supply"),
    Run.Kind.CONSTANT_VOLTAGE: ("output", "amplifier"),
    Run.Kind.LOW_IMPEDANCE: ("output", "amplifier"),
}
"""What feeds a run of each kind at its block."""


def feeds_fit(kind: str, feeds: Collection[str]) -> Iterator[Problem]:
    """``feeds``: those of output, supply and amplifier that feed the run."""
    for feed in feeds:
        if feed not in FED_BY[kind]:
            detail = f"A {Run.Kind(kind).label} run is not fed by {with_article(feed)}."
            yield Problem(detail, "wrong_kind", f"/{feed}_id")


def fuse_fits(fitted: bool | None, rating_a: float | None) -> Iterator[Problem]:
    """Only a fitted fuse has a rating."""
    if rating_a is not None and fitted is not True:
        yield Problem("A fuse with a rating is one that is fitted.", "invalid", "/fuse_rating_a")
