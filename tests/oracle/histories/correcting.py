"""Corrections: what was recorded wrongly, and what an instrument said."""

from __future__ import annotations

import datetime as dt

from zones.models import ClipFacts, Landing, PointFacts

from .building import SIGNALS, cable
from .things import Body, Things
from .working import Job


def correct_points(things: Things) -> list[Body]:
    """The true model, length, tap, count or current of some points, all along or from a day of its own."""
    run = things.run_with_points()
    bodies = []
    for point in things.some(things.points[run], 4):
        body: Body = {"op": "point.correct", "point_id": point}
        what = things.one(["model", "model", "length", "length", "current", "tap", "segment", "count"])
        if what == "model":
            body["model_id"] = things.model("ceiling_speaker", "ceiling_speaker", "wall_speaker", "horn")
        elif what == "length":
            body |= {"length_m": round(things.rng.uniform(3, 60), 1), "length_basis": "measured"}
        elif what == "current":
            body |= {"speech_current_a": round(things.rng.uniform(0.01, 0.1), 4), "current_basis": "measured"}
        elif what == "tap":
            body |= things.tap("ceiling_speaker")
        elif what == "segment":
            body |= {
                "cable_type_id": things.one(things.catalogue.cables),
                "dc_pairs": things.rng.randint(1, 3),
            }
        else:
            body |= {
                "kind": "uncounted_group",
                "count_low": 1,
                "count_likely": 2,
                "count_high": things.rng.randint(2, 5),
            }
        bodies.append(body)
    return bodies


def found(things: Things) -> list[Body]:
    """A device that turns out to have been there all along."""
    run = things.run_with_points()
    where = {things.one(["after_id", "before_id"]): things.one(things.points[run])}
    load = things.load(things.run_kind[run])
    return [{"op": "point.found", "run_id": run, **where, **load}]


def correct_run(things: Things) -> list[Body]:
    run = things.run()
    body: Body = {"op": "run.correct", "run_id": run}
    if things.chance(0.2):
        return [body | {"design_temperature_c": things.one([-25.0, 30.0, 50.0])}]
    if things.run_kind[run] == "self_amplified":
        what = things.one(["supply", "output", "fuse"])
        if what == "fuse":
            return [body | {"fuse_rating_a": things.one([0.3, 0.5, 1.0])}]
        return [body | {what: things.one(things.supplies if what == "supply" else things.outputs)}]
    return [body | {"amplifier_id": things.one(things.amplifiers)}]


def correct_source(things: Things) -> list[Body]:
    if things.amplifiers and things.chance(0.3):
        chosen = things.one(things.amplifiers)
        return [{"op": "amplifier.correct", "amplifier_id": chosen, "model_id": things.model("amplifier")}]
    return [
        {"op": "supply.correct", "supply_id": things.one(things.supplies), "model_id": things.model("supply")}
    ]


def correct_network(things: Things) -> list[Body]:
    what = things.one(["switch", "port", "endpoint", "endpoint"])
    if what == "switch":
        return [
            {
                "op": "switch.correct",
                "switch_id": things.one(things.switches),
                "model_id": things.model("switch"),
            }
        ]
    if what == "port":
        body: Body = {"op": "port.correct", "port_id": things.one(things.ports)}
        if things.chance(0.3):
            return [body | {"port_type": things.one([1, 3])}]
        body["other_load"] = "telephone"
        return [body | {"other_load_class": things.one([1, 2, 3])}]
    body = {"op": "endpoint.correct", "endpoint_id": things.one(things.endpoints)} | cable(things)
    return [body] if len(body) > 2 else []


def correct_landing(things: Things) -> list[Body]:
    """How a conductor lies, and with it the clip there, where something is recorded of that."""
    landing = things.one(things.landings)
    body: Body = {"op": "landing.correct", "landing_id": landing}
    if things.chance(0.5):
        body |= {"row": things.rng.randint(1, 12)}
    else:
        body["carries"] = things.one(["audio_positive", "audio_negative", "dc_positive", "dc_negative"])
    lies = Landing.objects.get(pk=landing)
    clip = ClipFacts.objects.filter(block_id=lies.block_id, row=lies.row).order_by("step").last()
    if clip is None:
        return [body]
    return [body, {"op": "clip.correct", "block_id": clip.block_id, "row": clip.row, "is_in": not clip.is_in}]


# --- instruments ----------------------------------------------------------------------------------------


def read_current(things: Things, day: dt.date) -> list[Body]:
    """The current of a run, about what its devices draw when paged, or far from it; at a tone about twice."""
    run = things.run_with_points("self_amplified")
    body = _reading(things, "run_current", 0.0, day)
    drawn = sum(_drawn_a(row) for row in PointFacts.objects.filter(run=run, kind=PointFacts.Kind.DEVICE))
    drawn *= things.rng.uniform(0.5, 1.8) if body["state"] == "paging" else things.rng.uniform(0.2, 0.8)
    drawn *= 2 if body.get("signal") == "tone" else 1
    return [body | {"run_id": run, "value": round(drawn, 4)}]


def _drawn_a(row: PointFacts) -> float:
    """Roughly: what a page takes from 24 V, of one model or another."""
    if row.speech_current_a is not None:
        return float(row.speech_current_a)
    if row.model is not None:
        full_output_a = row.model.full_output_current_a or (row.model.full_output_power_w or 0.0) / 24
        if full_output_a:
            return full_output_a / 2
    return 0.25 if row.device_kind == PointFacts.DeviceKind.HORN else 0.05


def read_voltage(things: Things, day: dt.date) -> list[Body]:
    value = round(24.4 - things.rng.choice([1, 3, 8]) * things.rng.random(), 2)
    return [_reading(things, "end_voltage", value, day) | {"point_id": things.point("self_amplified")}]


def _reading(things: Things, kind: str, value: float, day: dt.date) -> Body:
    taken = day - dt.timedelta(days=things.rng.choice([0, 0, 0, 1, 20, 200]))
    body: Body = {"op": "test.record", "kind": kind, "value": value, "taken_on": taken.isoformat()}
    body["state"] = "paging" if things.chance(0.7) else "idle"
    if body["state"] == "paging" and things.chance(0.3):
        body["signal"] = "tone"
    if kind != "poe_power" and things.chance(0.4):
        body["source_voltage_v"] = round(things.rng.uniform(23, 25), 2)
    if things.chance(0.3):
        body["instrument_error"] = things.rng.choice([0, 0.001, 0.02, 0.2])
    if things.chance(0.2):
        body["temperature_c"] = things.rng.randint(-25, 45)
    return body


def read_poe(things: Things, day: dt.date) -> list[Body]:
    """Watts of the supply groups of a switch, or of all of it."""
    switch = things.one(things.switches)
    groups: list[int | None] = [None, 1, 2]
    return [
        _reading(things, "poe_power", round(things.rng.uniform(10, 110), 1), day)
        | {"switch_id": switch, "power_group": group}
        for group in things.rng.sample(groups, things.rng.randint(1, 3))
    ]


def supersede(things: Things, day: dt.date) -> list[Body]:
    value = round(things.rng.uniform(0.05, 30), 3)
    return [{"op": "test.supersede", "test_id": things.one(things.readings), "value": value}]


def correct_signal(things: Things) -> list[Body]:
    """What was paged to a zone all along."""
    return [{"op": "zone.correct", "zone_id": things.one(things.zones), "signal": things.one(SIGNALS)}]


CORRECTIONS: list[tuple[int, Job]] = [
    (10, correct_points), (4, found), (3, correct_run), (4, correct_source), (4, correct_network),
    (2, correct_landing), (3, correct_signal),
]  # fmt: skip
READINGS = [(6, read_current), (4, read_voltage), (2, read_poe), (2, supersede)]
