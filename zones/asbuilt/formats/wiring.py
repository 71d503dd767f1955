"""Files about zones, and what runs to them."""

from __future__ import annotations

from collections.abc import Iterator

from sites.changes.errors import Problem
from sites.models import Basis
from zones.asbuilt.cells import Count, Counted, Listed
from zones.models import PagingSet, Point, PointFacts, Run, RunFacts, Zone, ZoneEndpoint, ZoneFacts
from zones.rules.points import DEVICE_KINDS, counts_fit, splice_is_bare
from zones.rules.runs import fuse_fits

from .kinds import Column, Estimated, OfField, Reference, Values, file_kind, together

ZONES = file_kind(
    "zones",
    "Areas that hear one page.",
    model=Zone,
    facts=ZoneFacts,
)

ZONE_ENDPOINTS = file_kind(
    "zone_endpoints",
    "Network speakers, and the zones they are heard in.",
    model=ZoneEndpoint,
    key=("zone", "endpoint"),
)

PAGING_SETS = file_kind(
    "paging_sets",
    "Zones that page together. A site without any pages all zones of a supply at once, the harsher case.",
    Column("zones", Listed(ZONES.by_name["name"].cell), "Names of its zones.", required=True),
    model=PagingSet,
)


def _fuse(values: Values) -> Iterator[Problem]:
    yield from together(values, "endpoint", "output")
    yield from fuse_fits(values.get("fuse_fitted", True), values.get("fuse_rating_a"))


def _fused(attributes: Values, values: Values) -> None:
    if attributes["fuse_fitted"] is None and values.get("fuse_rating_a") is not None:
        attributes["fuse_fitted"] = True


RUNS = file_kind(
    "runs",
    "Field cables from a block to a chain, or tree, of devices, and what feeds them.",
    Reference(
        "output",
        "outputs",
        ("endpoint", "output"),
        dated=True,
        help=("Gateway whose output feeds it.", "Number of that output."),
    ),
    OfField(
        "fuse_fitted", help="Own fuse in the negative leg; blank: unknown, or yes where a rating is given."
    ),
    model=Run,
    facts=RunFacts,
    check=_fuse,
    fill=_fused,
)


def _point(values: Values) -> Iterator[Problem]:
    kind = values.get("kind", PointFacts.Kind.DEVICE)
    count: Count | None = values.get("count")
    if kind == PointFacts.Kind.UNCOUNTED_GROUP and count is None:
        yield Problem("an uncounted group says how many: 6, ~6 (4-9), or ?", "required", "/count")
    elif count is not None and kind != PointFacts.Kind.UNCOUNTED_GROUP:
        yield from counts_fit(kind, [0])
    else:
        yield from counts_fit(kind, [count.low, count.likely, count.high] if count else [])
    if kind == PointFacts.Kind.SPLICE:
        loads = {name: values.get(name) for name in PointFacts.LOADS} | {"device_kind": values.get("device")}
        yield from splice_is_bare(kind, **loads)
    yield from together(values, *PointFacts.SHARE)


def _load(attributes: Values, values: Values) -> None:
    count: Count = values.get("count") or Count(None, None, None)
    attributes |= {"count_low": count.low, "count_likely": count.likely, "count_high": count.high}
    model = attributes["model_id"]
    if "device" not in values:
        attributes["device_kind"] = DEVICE_KINDS.get(model.values.get("kind") if model else None, 0)
    if attributes["kind"] == PointFacts.Kind.SPLICE and "current_basis" not in values:
        attributes["current_basis"] = Basis.UNKNOWN.value


def _counted(attributes: Values) -> Values:
    if attributes["kind"] != PointFacts.Kind.UNCOUNTED_GROUP:
        return {}
    return {"count": Count(*(attributes[f"count_{band}"] for band in ("low", "likely", "high")))}


POINTS = file_kind(
    "points",
    "Devices, uncounted groups and splices of a run, and the segment of cable to each from its parent. A row "
    "is the complete facts of its point from its change on; a device taken out leaves a splice.",
    Reference("run", "runs", ("run",), required=True),
    OfField("name", "point", "Once a run."),
    OfField(
        "rank",
        "order",
        "Place in the run's order; blank: as the rows stand, parents before children.",
        more={"required": False},
    ),
    OfField(
        "parent",
        help="The point its segment of cable comes from; blank: the block.",
        cell=RUNS.by_name["name"].cell,
        more={"attribute": None},
    ),
    Reference("parent", "points", ("run", "parent"), dated=True),
    OfField("device_kind", "device", "Blank: as its model says."),
    OfField("model", help="Name in device_models.csv; blank: unknown."),
    OfField(
        "count_likely",
        "count",
        "How many an uncounted group stands for.",
        Counted,
        more={"attribute": None},
    ),
    OfField("place", help="Where a person finds it."),
    OfField("length_m", help="Of the segment from its parent."),
    OfField("cable_type", "cable", "Name in cable_types.csv; blank: unknown."),
    OfField("dc_pairs", "pairs"),
    OfField("tap_power_w", help="Tap set on a constant-voltage line."),
    model=Point,
    facts=PointFacts,
    key=("run", "point"),
    estimates=(
        Estimated("length_m", "length_basis", Basis.DRAWING),
        Estimated("speech_current_a", "current_basis", Basis.MARKED, optional=True),
        Estimated("tap_power_w", "tap_basis", Basis.DRAWING),
    ),
    check=_point,
    but=("parent_rank", "count_low", "count_high"),
    extra=("count_low", "count_likely", "count_high"),
    fill=_load,
    show=_counted,
)
