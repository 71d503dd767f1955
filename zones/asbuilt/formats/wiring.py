"""Files about zones, and what runs to them."""

from __future__ import annotations

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


def output_of_endpoint(values: Values) -> list[tuple[str, str]]:
    if (values.get("endpoint") is None) != (values.get("output") is None):
        missing = "output" if values.get("output") is None else "endpoint"
        return [(missing, "endpoint and output go together: give both or neither")]
    return []


def _fuse(values: Values) -> list[tuple[str, str]]:
    found = output_of_endpoint(values)
    if values.get("fuse_rating_a") is not None and values.get("fuse_fitted") is False:
        found.append(
            ("fuse_fitted", "a fuse rating is given, so fuse_fitted is yes: leave one of the two blank")
        )
    return found


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
            "Own fuse in the negative leg; blank: unknown, or yes where a rating is given.",
            dated=True,
        ),
        number("fuse_rating_a", above=0, dated=True),
    ),
)

_LOADS = ("device", "model", "count", "speech_current_a", "idle_current_a", "tap_power_w")


def _point(values: Values) -> list[tuple[str, str]]:
    kind = values.get("kind", PointFacts.Kind.DEVICE)
    found = []
    if kind == PointFacts.Kind.UNCOUNTED_GROUP and values.get("count") is None:
        found.append(("count", "an uncounted group says how many: 6, ~6 (4-9), or ?"))
    if kind != PointFacts.Kind.UNCOUNTED_GROUP and values.get("count") is not None:
        found.append(
            (
                "count",
                "only an uncounted group has a count: leave it blank, or write uncounted_group under kind",
            )
        )
    if kind == PointFacts.Kind.SPLICE:
        found += [
            (column, "a splice carries no device: leave it blank")
            for column in _LOADS
            if column != "count" and values.get(column) not in (None, PointFacts.DeviceKind.UNKNOWN)
        ]
    return found


_DEVICE_KINDS = {kind.label.replace(" ", "_"): kind.value for kind in PointFacts.DeviceKind}


def _load(attributes: Values, values: Values) -> None:
    count: Count = values.get("count") or Count(None, None, None)
    attributes |= {"count_low": count.low, "count_likely": count.likely, "count_high": count.high}
    if attributes["device_kind"] is None:
        model = attributes["model_id"]
        attributes["device_kind"] = _DEVICE_KINDS.get(model.values.get("kind", "") if model else "", 0)
    if attributes["kind"] == PointFacts.Kind.SPLICE and "current_basis" not in values:
        attributes["current_basis"] = Basis.UNKNOWN.value


def _counted(attributes: Values) -> Values:
    if attributes["kind"] != PointFacts.Kind.UNCOUNTED_GROUP:
        return {}
    return {"count": Count(*(attributes[f"count_{band}"] for band in ("low", "likely", "high")))}


POINTS = FileKind(
    name="points",
    about="What hangs on a run, and the cable to it from its parent. A row is the complete facts of "
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
            "The point its segment of cable comes from; blank: the block.",
            limit=80,
            field=None,
            dated=True,
            default=None,
        ),
        word(
            "kind",
            {kind.name.lower(): kind.value for kind in PointFacts.Kind},
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
        Column("count", Counted(), "How many an uncounted group stands for.", field=None, dated=True),
        text("place", "Where a person finds it.", limit=200, dated=True),
        quantity(
            "length_m",
            "Of the segment from its parent.",
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
            "negative_cut",
            "The negative of this segment is cut: a section begins here.",
            dated=True,
            default=False,
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
