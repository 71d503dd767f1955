"""A run from its block to its last point: what is there, how far along the cable, what it draws, and the
voltage that is left for it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Self

import numpy as np
from numpy.typing import ArrayLike

from sites.models import Basis
from sites.wording import capital, listed, lower_first, plural
from zones.electrical.bands import LIKELY
from zones.electrical.estimates import WORDS
from zones.electrical.profiles import NoVoltage, RunProfile, run_profile
from zones.electrical.subjects import SubjectKind
from zones.models import PointFacts, Run
from zones.selectors import points_before
from zones.subjects import called

from .explanations.scene import PAGE, Scene
from .site_loads import known, site_plant

_NO_VOLTAGE: Final[Mapping[int, str]] = {
    NoVoltage.NO_SUPPLY: "No supply is recorded for this run.",
    NoVoltage.CUT_OFF: "Its negative is cut, and nothing feeds it behind the cut.",
    NoVoltage.SEVERAL_FEEDS: "Several supplies feed this section: what each carries cannot be computed.",
    NoVoltage.SOURCE_NOT_RECORDED: "The voltage of its supply is not recorded.",
    NoVoltage.OVERLOADED: "No stable voltage: overloaded. The loads ask for more than the cable can carry.",
    NoVoltage.SUPPLY_OVERLOADED: "Its supply has no stable voltage for all that it feeds.",
    NoVoltage.SAG_NOT_KNOWN: "How far the voltage of its supply falls under load is not known.",
    NoVoltage.NOT_SELF_AMPLIFIED: "Only self-amplified runs have a voltage profile: this run carries no DC.",
}
_JUDGED: Final = (
    "Supply at the bottom of its tolerance, or of its battery; cable at the design temperature. The high "
    "estimate takes long cable and high currents. Where zones page at different times, each point is shown "
    "at its lowest voltage."
)


@dataclass(frozen=True)
class Three:
    """By estimate of load; null: not known. The high estimate of load gives the lowest voltage. Of a segment
    that was cut at a distance not recorded, the low estimate may be the longest."""

    low: float | None
    likely: float | None
    high: float | None

    @classmethod
    def of(cls, values: ArrayLike) -> Self:
        """values: (3,) low, likely, high; NaN not known."""
        return cls(*map(known, np.asarray(values, float).tolist()))


@dataclass(frozen=True)
class PointOnRun:
    """after_id: the point before it; null: the block. count: devices. zone, zone_id: where it is heard, where
    that is not the run's zone. feed_supply: what feeds the run here. length_m: of the segment to it;
    length_known: how, in words. part_of_m: the likely whole of a segment that was cut at a distance not
    recorded, of which this is a part; null: of any other. distance_m: along the cable from the block; null:
    the length of a segment on the way is not recorded. current_a: drawn while its zone is paged; null: of a
    splice, or not known; current_known: how, in words. no_voltage: why an estimate has none, in a sentence;
    blank: all have one. overloaded: the estimates without a stable voltage. bounds: those whose true voltage
    may be lower."""

    id: int
    name: str
    after_id: int | None
    kind: str
    place: str
    device: str
    model_id: int | None
    model: str
    count: Three | None
    zone_id: int | None
    zone: str
    feed_supply_id: int | None
    feed_supply: str
    cable: str
    pairs: int | None
    negative_cut: bool
    length_m: Three
    length_basis: str
    length_known: str
    part_of_m: float | None
    distance_m: Three | None
    current_a: Three | None
    current_known: str
    tap_power_w: Three | None
    tap_basis: str
    voltage_v: Three
    no_voltage: str
    overloaded: tuple[str, ...]
    bounds: tuple[str, ...]
    minimum_voltage_v: float | None


@dataclass(frozen=True)
class ProfileOfRun:
    """A run from its block on, parents before children. has_voltages: whether any point has one. voltage_v:
    at the block, where a supply feeds the run there. no_voltage: why points have no voltage, in sentences,
    each once. assumptions: how it was computed, in sentences."""

    as_of: dt.date
    length_unit: str
    kind: str
    has_voltages: bool
    voltage_v: Three
    no_voltage: tuple[str, ...]
    assumptions: tuple[str, ...]
    points: tuple[PointOnRun, ...]


def profile_of(run: Run, as_of: dt.date) -> ProfileOfRun:
    """The profile of a run as of the end of a day. Three queries, however long it is."""
    scene = Scene(site_plant(run.site_id, as_of))
    step = int(scene.members.step[0])
    found = run_profile(scene.plant, step, run.pk, scene.loads)
    rows = points_before(step + 1, site_id=run.site_id, run_ids=[run.pk])
    facts = {row.point_id: row for row in rows}
    ids = scene.plant.point_id[scene.plant.points.point_index[found.row]].tolist()
    points = tuple(_point(scene, found, at, facts[pk], ids) for at, pk in enumerate(ids) if pk in facts)
    self_amplified = run.kind == Run.Kind.SELF_AMPLIFIED
    return ProfileOfRun(
        as_of=as_of,
        length_unit=run.site.length_unit,
        kind=run.kind,
        has_voltages=bool(np.isfinite(found.voltage_v).any()),
        voltage_v=Three.of(found.block_voltage_v),
        no_voltage=tuple(dict.fromkeys(one.no_voltage for one in points if one.no_voltage)),
        assumptions=(PAGE, _JUDGED) if self_amplified else (),
        points=points,
    )


def _point(scene: Scene, found: RunProfile, at: int, facts: PointFacts, ids: list[int]) -> PointOnRun:
    row, loads = int(found.row[at]), scene.loads
    loaded, before = bool(loads.loaded[row]), int(found.parent[at])
    distance, current = found.distance_m[:, at], found.current_a[:, at]
    self_amplified = found.reason[LIKELY, at] != NoVoltage.NOT_SELF_AMPLIFIED
    on_taps = loaded and bool((loads.tap_w[:, row] > 0).any())
    reasons = [NoVoltage(code) for code in found.reason[:, at].tolist()]
    return PointOnRun(
        id=facts.point_id,
        name=facts.point.name,
        after_id=ids[before] if before >= 0 else None,
        kind=PointFacts.Kind(facts.kind).label,
        place=facts.place,
        device=_device(facts) if loaded else "",
        model_id=facts.model_id,
        model=facts.model.name if facts.model is not None else "",
        count=Three.of(loads.count[:, row]) if loaded else None,
        zone_id=facts.zone_id,
        zone=f"zone {facts.zone.name}" if facts.zone is not None else "",
        feed_supply_id=facts.feed_supply_id,
        feed_supply=called(SubjectKind.SUPPLY, facts.feed_supply.name)
        if facts.feed_supply is not None
        else "",
        cable=facts.cable_type.name if facts.cable_type is not None else "",
        pairs=facts.dc_pairs,
        negative_cut=facts.negative_cut,
        length_m=Three.of(found.length_m[:, at]),
        length_basis=Basis(facts.length_basis).label,
        length_known=scene.length_known(row),
        part_of_m=None if np.isnan(loads.share[row]) else known(float(loads.whole_m[LIKELY, row])),
        distance_m=None if np.isnan(distance).any() else Three.of(distance),
        current_a=Three.of(current) if loaded and self_amplified else None,
        current_known=scene.current_known(row) if loaded and self_amplified else "",
        tap_power_w=Three.of(loads.tap_w[:, row]) if on_taps else None,
        tap_basis=Basis(facts.tap_basis).label if on_taps else "",
        voltage_v=Three.of(found.voltage_v[:, at]),
        no_voltage=_why(reasons),
        overloaded=_words(reasons, NoVoltage.OVERLOADED),
        bounds=tuple(word for word, bound in zip(WORDS, found.bound[:, at], strict=True) if bound),
        minimum_voltage_v=known(float(found.minimum_voltage_v[at])),
    )


def _device(facts: PointFacts) -> str:
    """What kind of device it is, as its model or the record says."""
    if facts.model is not None:
        return str(facts.model.get_kind_display())
    return str(PointFacts.DeviceKind(facts.device_kind).label)


def _words(reasons: list[NoVoltage], reason: NoVoltage) -> tuple[str, ...]:
    return tuple(word for word, one in zip(WORDS, reasons, strict=True) if one is reason)


def _why(reasons: list[NoVoltage]) -> str:
    """A sentence for each reason; it names the estimates where the others have a voltage."""
    said = []
    for reason in dict.fromkeys(one for one in reasons if one is not NoVoltage.KNOWN):
        words = _words(reasons, reason)
        sentence = _NO_VOLTAGE[reason]
        if len(words) < len(WORDS):
            estimates = f"{capital(listed(words))} {plural(len(words), 'estimate')}"
            sentence = f"{estimates}: {lower_first(sentence)}"
        said.append(sentence)
    return " ".join(said)
