"""What stands on a day and how it hangs together: runs, their points, and what each point carries."""

from __future__ import annotations

from dataclasses import dataclass, field

from .bands import (
    HIGH,
    MARKED,
    UNKNOWN,
    Band,
    conductor_ohm_per_m,
    device_kind,
    each,
    factor,
    length_m,
    of_basis,
    unknown_load,
)
from .record import Record, Row

SPLICE, DEVICE, LUMP = 0, 1, 2
SELF_AMPLIFIED, CONSTANT_VOLTAGE, LOW_IMPEDANCE = "self_amplified", "constant_voltage", "low_impedance"
ZERO: Band = (0.0, 0.0, 0.0)


@dataclass
class Load:
    """What one row of facts puts on its networks, before any reading is taken into account.

    All of the point's devices together: speech_a, idle_a, speech_w, idle_w, tap_w. loop_ohm: of the piece,
    its pairs paralleled; pair_ohm: of one pair.
    """

    count: Band
    kind: int
    length_m: Band
    loop_ohm: Band
    pair_ohm: Band
    pairs: int
    conductor_rating_a: float | None
    speech_a: Band
    idle_a: Band
    speech_w: Band
    idle_w: Band
    tap_w: Band
    speaker_ohm: float | None
    minimum_v: float | None
    input_ohm: float | None
    sensitivity_v: float | None
    current_may_scale: bool
    length_may_scale: bool

    @property
    def hangs(self) -> bool:
        return self.count[HIGH] > 0


@dataclass
class Point:
    """A node of a run's tree. parent: None at the block. lost: it hangs on a point that is not there."""

    id: int
    rank: float
    facts: Row
    load: Load
    parent: Point | None = None
    lost: bool = False
    children: list[Point] = field(default_factory=list)

    @property
    def key(self) -> tuple[int, int]:
        return self.id, self.facts["step"]


@dataclass
class Run:
    row: Row
    facts: Row
    points: list[Point]

    @property
    def id(self) -> int:
        return int(self.row["id"])

    @property
    def kind(self) -> str:
        return str(self.row["kind"])


def runs_at(record: Record, step: int, loads: dict[tuple[int, int], Load]) -> list[Run]:
    """Runs that stand, with their points in the order of their ranks. loads: by point and step of its
    facts."""
    runs = []
    for row in record.standing("run", step):
        there: dict[int, Point] = {}
        for point in record.rows["point"].values():
            if point["run_id"] != row["id"]:
                continue
            facts = record.at("point_facts", point["id"], step)
            if facts:
                there[point["id"]] = Point(point["id"], point["rank"], facts, loads[point["id"], facts["step"]])
        points = sorted(there.values(), key=lambda p: p.rank)
        for one in points:
            parent_id = one.facts["parent_id"]
            if parent_id is not None:
                one.parent = there.get(parent_id)
                one.lost = one.parent is None
                if one.parent is not None:
                    one.parent.children.append(one)
        runs.append(Run(row, record.at("run_facts", row["id"], step), points))
    return runs


def loads_of(record: Record) -> dict[tuple[int, int], Load]:
    return {
        (point_id, row["step"]): _load(record, row, record.rows["run"][row["run_id"]]["kind"])
        for point_id, rows in record.facts["point_facts"].items()
        for row in rows
    }


def _load(record: Record, facts: Row, run_kind: str) -> Load:
    model = record.model(facts)
    kind = device_kind(record, facts)
    count: Band = {
        SPLICE: ZERO,
        DEVICE: (1.0, 1.0, 1.0),
        LUMP: (facts["count_low"], facts["count_likely"], facts["count_high"]),
    }[facts["kind"]]

    length = length_m(record, facts["length_m"], facts["length_basis"], home_run=facts["parent_id"] is None)
    per_m = conductor_ohm_per_m(record, facts["cable_type_id"])
    pairs = facts["dc_pairs"] or 1
    pair_ohm = each(lambda band: 2 * per_m[band] * length[band])
    cable = record.cables.get(facts["cable_type_id"] or 0, {})
    rating = cable.get("conductor_rating_a")
    gauge = cable.get("gauge_awg")
    if rating is None and (gauge is None or gauge >= 23):
        rating = factor(record, "conductor_rating_a")

    per_device = _speaker(record, facts, model, kind)
    on_dc = run_kind == SELF_AMPLIFIED
    together = [
        each(lambda band, of=of: of[band] * count[band]) if on_dc else ZERO  # type: ignore[misc]
        for of in per_device[:4]
    ]
    tap: Band = ZERO
    if run_kind == CONSTANT_VOLTAGE:
        one = unknown_load(record, kind, "w", "_tap")
        if facts["tap_power_w"] is not None and facts["tap_basis"] != UNKNOWN:
            of_it = of_basis(record, "current", facts["tap_basis"])
            one = each(lambda band: facts["tap_power_w"] * of_it[band])
        tap = each(lambda band: one[band] * count[band])
    known = per_device[4]
    return Load(
        count=count,
        kind=kind,
        length_m=length,
        loop_ohm=each(lambda band: pair_ohm[band] / pairs),
        pair_ohm=pair_ohm,
        pairs=pairs,
        conductor_rating_a=rating,
        speech_a=together[0],
        idle_a=together[1],
        speech_w=together[2],
        idle_w=together[3],
        tap_w=tap,
        speaker_ohm=model.get("nominal_impedance_ohm"),
        minimum_v=model.get("minimum_voltage_v"),
        input_ohm=model.get("input_impedance_ohm"),
        sensitivity_v=model.get("input_sensitivity_v"),
        current_may_scale=on_dc
        and count[HIGH] > 0
        and (facts["current_basis"] < MARKED or not known or facts["kind"] == LUMP),
        length_may_scale=facts["length_m"] is None or facts["length_basis"] < MARKED,
    )


def _speaker(record: Record, facts: Row, model: Row, kind: int) -> tuple[Band, Band, Band, Band, bool]:
    """Speech and idle current, speech and idle power of one device, and whether its model says them."""
    basis = facts["current_basis"]
    full_a, rated_idle_a = model.get("full_tone_current_a"), model.get("idle_current_a")
    half_a = None
    if full_a is not None:
        half_a = max(full_a * factor(record, "speech_of_full_tone"), rated_idle_a or 0.0)
    speech_a = _first(facts["speech_current_a"], model.get("speech_current_a"), half_a)
    idle_a = _first(facts["idle_current_a"], rated_idle_a)
    full_w, idle_w = model.get("full_tone_power_w"), model.get("idle_power_w")
    idle_share = factor(record, "unknown_idle_of_speech")
    guess = unknown_load(record, kind, "a")
    of_it = of_basis(record, "current", basis) if basis != UNKNOWN else (1.0, 1.0, 1.0)

    if speech_a is None and full_w is not None:  # stated in watts
        if basis == UNKNOWN:
            speech = each(lambda band: guess[band] * factor(record, "nominal_supply_v"))
        else:
            half_w = max(full_w * factor(record, "speech_of_full_tone"), idle_w or 0.0)
            speech = each(lambda band: half_w * of_it[band])
        if idle_w is None or basis == UNKNOWN:
            idle = each(lambda band: speech[band] * idle_share)
        else:
            idle = each(lambda band: idle_w * of_it[band])
        return ZERO, ZERO, speech, idle, True

    if speech_a is None or basis == UNKNOWN:
        speech = guess
        idle = each(lambda band: guess[band] * idle_share)
    else:
        speech = each(lambda band: speech_a * of_it[band])
        if idle_a is None:
            idle = each(lambda band: speech[band] * idle_share)
        else:
            idle = each(lambda band: idle_a * of_it[band])
    return speech, idle, ZERO, ZERO, speech_a is not None


def _first(*values: float | None) -> float | None:
    return next((value for value in values if value is not None), None)
