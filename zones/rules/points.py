"""Rules of points: what splices, devices and uncounted groups have; a device is what its model is."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from sites.changes.errors import Problem
from sites.models import DeviceModel
from sites.wording import with_article
from zones.models import PointFacts, Run

from .runs import FED_BY

DEVICE_KINDS: dict[str | None, int] = {
    DeviceModel.Kind.CEILING_SPEAKER: PointFacts.DeviceKind.CEILING_SPEAKER,
    DeviceModel.Kind.WALL_SPEAKER: PointFacts.DeviceKind.WALL_SPEAKER,
    DeviceModel.Kind.HORN: PointFacts.DeviceKind.HORN,
}
"""What a device of a model of each kind is."""


def device_fits(model: str, kind: str | None, device_kind: int) -> Iterator[Problem]:
    """A device is what its model is. ``kind``: the model's; None where the model is unknown."""
    if kind is not None and kind in DEVICE_KINDS and device_kind != DEVICE_KINDS[kind]:
        detail = f"{model} is {with_article(DeviceModel.Kind(kind).label)}."
        yield Problem(detail, "wrong_kind", "/device_kind")


def counts_fit(kind: int, counts: Sequence[int | None]) -> Iterator[Problem]:
    """An uncounted group says how many devices there may be, at least, likely and at most, or that it is
    unknown; nothing else has counts."""
    if {None}.issuperset(counts):
        return
    known = [count for count in counts if count is not None]
    if kind != PointFacts.Kind.UNCOUNTED_GROUP:
        yield Problem("Only an uncounted group has counts.", "invalid", "/count_likely")
    elif len(known) < len(counts) or sorted(known) != known or known[0] < 0:
        detail = (
            "An uncounted group says how many devices there may be: count_low ≤ count_likely ≤ count_high."
        )
        yield Problem(detail, "required", "/count_likely")


def splice_is_bare(kind: int, **loads: object) -> Iterator[Problem]:
    """A splice carries no load. ``loads``: those of ``PointFacts.LOADS`` by name."""
    if kind == PointFacts.Kind.SPLICE:
        for name, value in loads.items():
            if value is not None and not (name == "device_kind" and value == PointFacts.DeviceKind.UNKNOWN):
                path = "/model_id" if name == "model" else f"/{name}"
                yield Problem("A splice carries no load.", "invalid", path)


def mid_feed_fits(kind: str, *, fed: bool) -> Iterator[Problem]:
    """A supply feeds only a self-amplified run at a point. ``kind``: the run's."""
    if fed and "supply" not in FED_BY[kind]:
        detail = f"A {Run.Kind(kind).label} run is not fed by a supply."
        yield Problem(detail, "wrong_kind", "/feed_supply_id")
