"""What is done on a site after it was put up: each function proposes the operations of one job.

A function may choose what no longer stands; then the operation is refused, which is what operations are for.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

from sites.models import Basis
from zones.models import PointFacts

from .building import SIGNALS, cable
from .things import Body, Things

_UNCOUNTED_GROUP = {"kind", "count_low", "count_likely", "count_high"}
Job = Callable[[Things], list[Body]]


def extend(things: Things) -> list[Body]:
    """Speakers behind a point of a run, mostly its last."""
    run = things.run()
    points = things.points[run]
    after = None if not points else points[-1] if things.chance(0.7) else things.one(points)
    count = things.rng.choice([1, 1, 2, 3, 5, 8])
    return things.chain(run, things.run_kind[run], after, count)


def insert(things: Things) -> list[Body]:
    """A device cut into a run, at a known distance or somewhere."""
    run = things.run_with_points()
    body: Body = {
        "op": "point.insert",
        "before_id": things.one(things.points[run]),
        "label": things.name("i"),
    }
    body |= things.load(things.run_kind[run])
    if things.chance(0.4):
        body["distance_from_parent_m"] = round(things.rng.uniform(0, 6), 1)
        body["distance_basis"] = "measured"
    return [body]


def remove(things: Things) -> list[Body]:
    points = things.points[things.run_with_points()]
    return [{"op": "point.remove", "point_id": point} for point in things.some(points, 3)]


def fit_device_again(things: Things) -> list[Body]:
    """A device where one was taken off, as often as not just like it."""
    point = things.one(things.removed) if things.removed and things.chance(0.8) else things.point()
    body: Body = {"op": "point.alter", "point_id": point, "kind": "device"}
    before = PointFacts.objects.filter(point=point, kind=PointFacts.Kind.DEVICE).order_by("step").last()
    if before is None or things.chance(0.4):
        load = things.load("self_amplified")
        return [body | {name: value for name, value in load.items() if name not in _UNCOUNTED_GROUP}]
    body |= {"current_basis": Basis(before.current_basis).name.lower(), "model_id": before.model_id}
    body["device_kind"] = PointFacts.DeviceKind(before.device_kind).name.lower()
    return [body | {"speech_current_a": before.speech_current_a, "idle_current_a": before.idle_current_a}]


def swap_device(things: Things) -> list[Body]:
    kind = things.one(["ceiling_speaker", "wall_speaker", "horn"])
    model = things.model(kind)
    points = things.some(things.points[things.run_with_points()], 4)
    return [{"op": "point.alter", "point_id": point, "model_id": model} for point in points]


def count_again(things: Things) -> list[Body]:
    """About so many more, or fewer, where the devices are not counted."""
    low = things.rng.randint(0, 5)
    body: Body = {
        "op": "point.alter",
        "point_id": things.point(),
        "kind": "uncounted_group",
        "count_low": low,
    }
    return [body | {"count_likely": low + things.rng.randint(0, 4), "count_high": low + 6}]


def raise_taps(things: Things) -> list[Body]:
    watts = things.one([2.0, 5.0, 10.0, 30.0])
    points = things.some(things.points[things.run_with_points("constant_voltage")], 5)
    return [
        {"op": "point.alter", "point_id": point, "tap_power_w": watts, "tap_basis": "marked"}
        for point in points
    ]


def alter_segment(things: Things) -> list[Body]:
    """New cable, other pairs or another length; a single pair behind two is the classic mistake."""
    run = things.run_with_points()
    segment = things.segment(things.run_kind[run])
    return [{"op": "point.alter", "point_id": things.one(things.points[run]), **segment}] if segment else []


def alter_current(things: Things) -> list[Body]:
    current = round(things.rng.uniform(0.01, 0.12), 4)
    basis = things.one(["guessed", "drawing", "marked", "measured"])
    body = {"op": "point.alter", "point_id": things.point("self_amplified"), "speech_current_a": current}
    return [body | {"current_basis": basis}]


def reroute(things: Things) -> list[Body]:
    """A segment rerouted: behind another point, or to the block."""
    points = things.points[things.run_with_points()]
    after = None if things.chance(0.1) else things.one(points)
    body: Body = {"op": "point.alter", "point_id": things.one(points), "after_id": after}
    return [body | things.length() if things.chance(0.5) else body]


def connect_in_zone(things: Things) -> list[Body]:
    """The next zone's speaker tied to the nearest run, or a splice in its ceiling."""
    zone = None if things.chance(0.2) else things.one(things.zones)
    points = things.some(things.points[things.run_with_points()], 2)
    return [{"op": "point.alter", "point_id": point, "zone_id": zone} for point in points]


def second_supply(things: Things) -> list[Body]:
    """A supply of its own behind a cut of the negative, at the cut or further on; now and then the cut alone,
    which leaves what lies behind it without a feed."""
    points = things.points[things.run_with_points("self_amplified")]
    place = things.rng.randrange(len(points))
    if things.chance(0.2):
        return [{"op": "point.alter", "point_id": points[place], "negative_cut": True}]
    feed = points[min(place + things.rng.choice([0, 0, 1, 2]), len(points) - 1)]
    bodies: list[Body] = []
    supply: Any = things.one(things.supplies)
    if things.chance(0.6):
        bodies.append(new_supply(things))
        supply = f"@{bodies[0]['label']}"
    if things.chance(0.9):
        bodies.append({"op": "point.alter", "point_id": points[place], "negative_cut": True})
    return [*bodies, {"op": "point.alter", "point_id": feed, "feed_supply_id": supply}]


def join_negative(things: Things) -> list[Body]:
    point = things.point("self_amplified")
    return [{"op": "point.alter", "point_id": point, "negative_cut": False, "feed_supply_id": None}]


def new_supply(things: Things) -> Body:
    model = things.model("supply")
    name = things.name("PS")
    return {
        "op": "supply.add",
        "closet_id": things.one(things.closets),
        "name": name,
        "model_id": model,
        "label": name,
    }


def swap_supply(things: Things) -> list[Body]:
    return [
        {"op": "supply.alter", "supply_id": things.one(things.supplies), "model_id": things.model("supply")}
    ]


def swap_amplifier(things: Things) -> list[Body]:
    body = {"op": "amplifier.alter", "amplifier_id": things.one(things.amplifiers)}
    if things.chance(0.7):
        return [body | {"model_id": things.model("amplifier")}]
    return [body | {"line_voltage_v": things.one([25.0, 70.7, 100.0, None])}]


def patch_run(things: Things) -> list[Body]:
    """A run on another supply, output, amplifier or zone, or with another fuse or route."""
    run = things.run()
    body: Body = {"op": "run.alter", "run_id": run}
    if things.chance(0.1):
        return [body | {"design_temperature_c": things.one([-25.0, 5.0, 35.0, None])}]
    if things.chance(0.2):
        return [body | {"zone_id": things.one([*things.zones, None])}]
    if things.run_kind[run] != "self_amplified":
        return [body | {"amplifier_id": things.one(things.amplifiers)}]
    what = things.one(["supply", "supply", "output", "fuse"])
    if what == "fuse":
        rating = things.one([0.3, 0.5, 0.75, 1.0, None])
        return [body | ({"fuse_rating_a": rating} if rating else {"fuse_fitted": things.one([True, False])})]
    choices = things.supplies if what == "supply" else things.outputs
    return [body | {what: None if things.chance(0.1) else things.one(choices)}]


def new_run(things: Things) -> list[Body]:
    kind = "self_amplified" if things.chance(0.7) or not things.amplifiers else "constant_voltage"
    name = things.name("R")
    body: Body = {
        "op": "run.add",
        "block_id": things.one(things.blocks),
        "name": name,
        "kind": kind,
        "label": name,
    }
    body["zone_id"] = things.one(things.zones)
    if kind == "self_amplified":
        body |= {"supply_id": things.one(things.supplies)}
        if things.outputs:
            body["output_id"] = things.one(things.outputs)
    else:
        body["amplifier_id"] = things.one(things.amplifiers)
    return [body, *things.chain(f"@{name}", kind, None, things.rng.randint(1, 6))]


def end_run(things: Things) -> list[Body]:
    return [{"op": "run.end", "run_id": things.run()}]


# --- the network ----------------------------------------------------------------------------------------


def new_endpoint(things: Things) -> list[Body]:
    kind = things.one(
        ["network_speaker", "network_speaker", "network_speaker", "gateway", "network_amplifier"]
    )
    name = things.name("NS")
    body: Body = {"op": "endpoint.add", "name": name, "model_id": things.model(kind), "label": name}
    if things.chance(0.85):
        body["port_id"] = things.one(things.ports)
    else:
        body["power_source"] = things.one(["injector", "adapter", "unknown"])
    bodies = [body | cable(things)]
    if kind == "network_speaker" and things.chance(0.5):
        bodies.append(
            {"op": "zone_endpoint.add", "zone_id": things.one(things.zones), "endpoint_id": f"@{name}"}
        )
    return bodies


def alter_endpoint(things: Things) -> list[Body]:
    body: Body = {"op": "endpoint.alter", "endpoint_id": things.one(things.endpoints)}
    if things.chance(0.3):
        return [body | {"model_id": things.model("network_speaker", "network_speaker", "gateway")}]
    changed = cable(things)
    return [body | changed] if changed else []


def move_endpoint(things: Things) -> list[Body]:
    port = None if things.chance(0.15) else things.one(things.ports)
    return [{"op": "endpoint.move", "endpoint_id": things.one(things.endpoints), "port_id": port}]


def end_endpoint(things: Things) -> list[Body]:
    return [{"op": "endpoint.end", "endpoint_id": things.one(things.endpoints)}]


def swap_switch(things: Things) -> list[Body]:
    body: Body = {"op": "switch.alter", "switch_id": things.one(things.switches)}
    if things.chance(0.5):
        return [body | {"model_id": things.model("switch"), "port_count": 12}]
    threshold = things.one([0.5, 0.8, None])
    return [body | {"power_supply_count": things.one([1, 2, 3, None]), "usage_threshold": threshold}]


def load_port(things: Things) -> list[Body]:
    """A camera or a telephone on a port, or taken off it."""
    body: Body = {"op": "port.alter", "port_id": things.one(things.ports)}
    if things.chance(0.2):
        return [body | {"port_type": things.one([1, 2, 4, None])}]
    if things.chance(0.3):
        return [body | {"other_load": "", "other_load_class": None, "other_load_power_w": None}]
    body |= {"other_load": "camera", "other_load_class": things.one([None, 2, 3, 4])}
    return [
        body | ({"other_load_power_w": round(things.rng.uniform(2, 25), 1)} if things.chance(0.3) else {})
    ]


# --- blocks and zones -----------------------------------------------------------------------------------


def land(things: Things) -> list[Body]:
    """A pair of a run, or of what drives it, on two rows; now and then on rows that are taken, or
    reversed."""
    run = things.run()
    carries = things.one(["audio", "dc"] if things.run_kind[run] == "self_amplified" else ["line"])
    row = things.rng.choice([1, 3, 5, 7, 9, 11])
    block = things.one(things.blocks)
    body: Body = {"op": "landing.add", "block_id": block, "row": row, "carries": carries}
    bodies = [body | {"run_id": run, "pair": things.rng.randint(1, 4), "reversed": things.chance(0.1)}]
    source = {"audio": ("output", things.outputs), "dc": ("supply", things.supplies)}.get(
        carries, ("amplifier", things.amplifiers)
    )
    if source[1] and things.chance(0.7):
        equipment = {source[0]: things.one(source[1]), "pair": 1, "reversed": things.chance(0.1)}
        bodies.append(body | equipment)
    return bodies


def take_off(things: Things) -> list[Body]:
    return [{"op": "landing.end", "landing_ids": things.some(things.landings, 2)}]


def clips(things: Things) -> list[Body]:
    rows = sorted(things.rng.sample(range(1, 20), 2))
    return [
        {"op": things.one(["clip.pull", "clip.put"]), "block_id": things.one(things.blocks), "rows": rows}
    ]


def new_zone(things: Things) -> list[Body]:
    body: Body = {"op": "zone.add", "name": things.name("Z")}
    return [body | {"signal": things.one(SIGNALS)} if things.chance(0.5) else body]


def page_otherwise(things: Things) -> list[Body]:
    """Chimes for a zone that had speech, or none any more."""
    return [{"op": "zone.alter", "zone_id": things.one(things.zones), "signal": things.one(SIGNALS)}]


def end_zone(things: Things) -> list[Body]:
    return [{"op": "zone.end", "zone_id": things.one(things.zones)}]


def page_together(things: Things) -> list[Body]:
    if things.paging_sets and things.chance(0.6):
        chosen = things.paging_sets[-1]
        if things.chance(0.6):
            return [{"op": "paging_set.end", "paging_set_id": chosen}]
        return [{"op": "paging_set.alter", "paging_set_id": chosen, "zone_ids": things.some(things.zones, 3)}]
    return [{"op": "paging_set.add", "name": things.name("set"), "zone_ids": things.some(things.zones, 3)}]


def alter_site(things: Things) -> list[Body]:
    if things.chance(0.3):
        surveyed = dt.date(2023, 1, 1) + dt.timedelta(days=things.rng.randrange(800))
        return [{"op": "site.alter", "surveyed_on": surveyed.isoformat() if things.chance(0.7) else None}]
    return [{"op": "site.alter", "design_temperature_c": things.one([-25.0, 5.0, 20.0, 40.0, 55.0])}]


WORK: list[tuple[int, Job]] = [
    (22, extend), (8, insert), (8, remove), (7, fit_device_again), (6, swap_device), (5, raise_taps),
    (4, count_again), (5, alter_segment), (4, alter_current), (4, reroute), (4, connect_in_zone),
    (6, second_supply),
    (1, join_negative), (6, swap_supply), (3, swap_amplifier), (6, patch_run), (4, new_run), (1, end_run),
    (8, new_endpoint), (3, alter_endpoint), (3, move_endpoint), (1, end_endpoint), (3, swap_switch),
    (4, load_port), (8, land), (2, take_off), (1, clips), (2, new_zone), (6, page_otherwise), (1, end_zone),
    (7, page_together), (2, alter_site),
]  # fmt: skip
