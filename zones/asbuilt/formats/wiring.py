"""Files about zones, and what runs to them."""

from __future__ import annotations

from collections.abc import Iterator

from sites.changes.errors import Problem
from sites.models import Basis
from zones.asbuilt.cells import Count, Counted, Listed, Text
from zones.models import (
    PagingSet,
    Point,
    PointFacts,
    Run,
    RunFacts,
    Zone,
    ZoneEndpoint,
)
from zones.rules.points import DEVICE_KINDS, LOADS, counts_fit, splice_is_bare
from zones.rules.runs import fuse_fits

from .kinds import (
    FOOT,
    Column,
    Estimated,
    FileKind,
    Reference,
    Values,
    basis,
    number,
    quantity,
    text,
    together,
    whole,
    word,
    yes_no,
)

ZONES = FileKind(
    name="zones",
    about="Areas that hear one page.",
    model=Zone,
    key=("name",),
    placed=True,
    columns=(
        text("name", limit=120, required=True),
        text("page_code", limit=20),
        Column("groups", Listed(Text(80)), default=[]),
        whole("priority", 0, 32_767),
        word("life_safety", Zone.LifeSafety.values, "Whether it serves life safety.", default="unknown"),
        text("note"),
    ),
)

ZONE_ENDPOINTS = FileKind(
    name="zone_endpoints",
    about="Network speakers, and the zones they are heard in.",
    model=ZoneEndpoint,
    key=("zone", "endpoint"),
    placed=True,
    references=(
        Reference("zone", "zones", ("zone",), required=True),
        Reference("endpoint", "endpoints", ("endpoint",), required=True),
    ),
    columns=(
        text("zone", limit=120, field=None, required=True, default=None),
        text("endpoint", limit=80, field=None, required=True, default=None),
    ),
)

PAGING_SETS = FileKind(
    name="paging_sets",
    about="Zones that page together. A site without any pages all zones of a supply at once, the harsher "
    "case.",
    model=PagingSet,
    key=("name",),
    placed=True,
    columns=(
        text("name", limit=80, required=True),
        Column("zones", Listed(Text(120)), "Names of its zones.", field=None, required=True),
    ),
)


def _fuse(values: Values) -> Iterator[Problem]:
    yield from together(values, "endpoint", "output")
    yield from fuse_fits(values.get("fuse_fitted", True), values.get("fuse_rating_a"))


def _fused(attributes: Values, values: Values) -> None:
    if attributes["fuse_fitted"] is None and values.get("fuse_rating_a") is not None:
        attributes["fuse_fitted"] = True


ENDPOINT = text("endpoint", "Gateway whose output feeds it.", limit=80, field=None, dated=True, default=None)
OUTPUT = whole("output", 1, 999, "Number of that output.", field=None, dated=True)

RUNS = FileKind(
    name="runs",
    about="Field cables from a block to a chain, or tree, of devices, and what feeds them.",
    model=Run,
    facts=RunFacts,
    facts_of="run",
    key=("name",),
    placed=True,
    references=(
        Reference("block", "blocks", ("block",), required=True),
        Reference("zone", "zones", ("zone",), dated=True),
        Reference("output", "outputs", ("endpoint", "output"), dated=True),
        Reference("supply", "supplies", ("supply",), dated=True),
        Reference("amplifier", "amplifiers", ("amplifier",), dated=True),
    ),
    check=_fuse,
    fill=_fused,
    columns=(
        text("name", limit=80, required=True),
        text("block", limit=80, field=None, required=True, default=None),
        word("kind", Run.Kind.values, required=True),
        text("note"),
        text("zone", limit=120, field=None, dated=True, default=None),
        ENDPOINT,
        OUTPUT,
        text(
            "supply", "DC supply that feeds it at its block.", limit=80, field=None, dated=True, default=None
        ),
        text("amplifier", limit=80, field=None, dated=True, default=None),
        yes_no(
            "fuse_fitted",
            "Own fuse in the minus leg; blank: unknown, or yes where a rating is given.",
            dated=True,
        ),
        number("fuse_rating_a", above=0, dated=True),
    ),
)


def _point(values: Values) -> Iterator[Problem]:
    kind = values.get("kind", PointFacts.Kind.DEVICE)
    count: Count | None = values.get("count")
    if kind == PointFacts.Kind.LUMP and count is None:
        yield Problem("a lump says how many: 6, ~6 (4-9), or ?", "required", "/count")
    elif count is not None and kind != PointFacts.Kind.LUMP:
        yield from counts_fit(kind, [0])
    else:
        yield from counts_fit(kind, [count.low, count.likely, count.high] if count else [])
    loads = {name: values.get(name) for name in LOADS} | {"device_kind": values.get("device")}
    yield from splice_is_bare(kind, **loads)


_DEVICE_KINDS = {kind.label.replace(" ", "_"): kind.value for kind in PointFacts.DeviceKind}


def _load(attributes: Values, values: Values) -> None:
    count: Count = values.get("count") or Count(None, None, None)
    attributes |= {"count_low": count.low, "count_likely": count.likely, "count_high": count.high}
    if attributes["device_kind"] is None:
        model = attributes["model_id"]
        attributes["device_kind"] = DEVICE_KINDS.get(model.values.get("kind") if model else None, 0)
    if attributes["kind"] == PointFacts.Kind.SPLICE and "current_basis" not in values:
        attributes["current_basis"] = Basis.UNKNOWN.value


def _counted(attributes: Values) -> Values:
    if attributes["kind"] != PointFacts.Kind.LUMP:
        return {}
    return {"count": Count(*(attributes[f"count_{band}"] for band in ("low", "likely", "high")))}


POINTS = FileKind(
    name="points",
    about="What hangs on a run, and the piece of cable to it from its parent. A row is the complete facts of "
    "its point from its change on; a device taken out leaves a splice.",
    model=Point,
    facts=PointFacts,
    facts_of="point",
    key=("run", "point"),
    references=(
        Reference("run", "runs", ("run",), required=True),
        Reference("parent", "points", ("run", "parent"), dated=True),
        Reference("model", "device_models", ("model",), dated=True),
        Reference("cable_type", "cable_types", ("cable",), dated=True),
        Reference("zone", "zones", ("zone",), dated=True),
        Reference("feed_supply", "supplies", ("feed_supply",), dated=True),
    ),
    estimates=(
        Estimated("length_m", "length_basis", Basis.DRAWING),
        Estimated("speech_current_a", "current_basis", Basis.MARKED, optional=True),
        Estimated("tap_power_w", "tap_basis", Basis.DRAWING),
    ),
    check=_point,
    extra=("count_low", "count_likely", "count_high"),
    fill=_load,
    show=_counted,
    columns=(
        text("run", limit=80, field=None, required=True, default=None),
        text("point", "Once a run.", limit=80, field="name", required=True),
        number(
            "order",
            "Place in the run's order; blank: as the rows stand, parents before children.",
            field="rank",
        ),
        text(
            "parent",
            "The point its piece of cable comes from; blank: the block.",
            limit=80,
            field=None,
            dated=True,
            default=None,
        ),
        word(
            "kind",
            {kind.label: kind.value for kind in PointFacts.Kind},
            dated=True,
            default=PointFacts.Kind.DEVICE.value,
        ),
        word("device", _DEVICE_KINDS, "Blank: as its model says.", field="device_kind", dated=True),
        text(
            "model",
            "Name in device_models.csv; blank: unknown.",
            limit=120,
            field=None,
            dated=True,
            default=None,
        ),
        Column("count", Counted(), "How many a lump stands for.", field=None, dated=True),
        text("place", "Where a person finds it.", limit=200, dated=True),
        quantity(
            "length_m",
            "Of the piece from its parent.",
            minimum=0,
            maximum=100_000,
            dated=True,
            units={"length_ft": FOOT["ft"]},
        ),
        basis("length_basis", "the length", Basis.DRAWING, dated=True),
        text(
            "cable",
            "Name in cable_types.csv; blank: unknown.",
            limit=80,
            field=None,
            dated=True,
            default=None,
        ),
        whole(
            "pairs",
            1,
            25,
            "Pairs paralleled for DC, or for a line; blank: unknown.",
            field="dc_pairs",
            dated=True,
        ),
        yes_no(
            "minus_cut", "The minus of this piece is cut: a section begins here.", dated=True, default=False
        ),
        quantity(
            "speech_current_a",
            "The device's own, where known better than its model's.",
            minimum=0,
            dated=True,
        ),
        number("idle_current_a", "The device's own.", minimum=0, dated=True),
        basis("current_basis", "the current", Basis.MARKED, dated=True),
        quantity("tap_power_w", "Tap set on a constant-voltage line.", above=0, dated=True),
        basis("tap_basis", "the tap", Basis.DRAWING, dated=True),
        text(
            "zone",
            "The zone it hangs in, where that is not the run's.",
            limit=120,
            field=None,
            dated=True,
            default=None,
        ),
        text(
            "feed_supply",
            "A supply that feeds the run here instead of at the block.",
            limit=80,
            field=None,
            dated=True,
            default=None,
        ),
    ),
)
