"""The worst device of each estimate on a line with branches: worked by hand, and by Kirchhoff's laws.

18 AWG with 6.385 Ω/1000 ft at 20 °C (ASTM B258), out and back 2 × 6.385/304.8 = 0.041896 Ω a metre; Z = V²/P
at 70.7 V (audio handbooks, from memory). Bands, common practice without a source: of a guessed length 0.7 to
1.5, of a measured one 0.98 to 1.02; of a guessed tap 0.6 to 1.6, of a measured one 0.95 to 1.05.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from tests.zones.electrical.judged import DRAWING, GUESSED, MEASURED
from tests.zones.electrical.plants import NAN, ToyPlant
from zones.electrical import plant as p
from zones.electrical.evaluate import Evaluation, evaluate
from zones.electrical.forest import Forest
from zones.electrical.resistive import voltages_in_own_corners
from zones.electrical.verdicts import Rule, Verdict

R = 2 * 6.385 / 304.8
V2 = 70.7**2
LOSS = Rule("line_loss", near_margin=2.0)


def line(**amplifier: Any) -> ToyPlant:
    toy = ToyPlant()
    toy.model(nominal_impedance_ohm=8.0)
    toy.cable(gauge_awg=18.0)
    toy.run(kind=p.RunKind.CONSTANT_VOLTAGE, amplifier_index=toy.add("amplifiers", **amplifier))
    return toy


def speaker(
    toy: ToyPlant, length_m: float, tap_w: float, *, basis: int, parent: int = -1, **facts: Any
) -> int:
    (point,) = toy.chain(
        0,
        1,
        parent=parent,
        model_index=0,
        cable_index=0,
        length_m=length_m,
        length_basis=basis,
        tap_power_w=tap_w,
        tap_basis=basis,
        **facts,
    )
    return point


def judged(toy: ToyPlant, rule: Rule = LOSS) -> Evaluation:
    plant = toy.build()
    found = evaluate(plant, p.Members.of_sites(plant, 1), [rule])
    assert len(found) == 1
    return found


def db(ratio: float) -> float:
    return 20 * math.log10(ratio)


def test_a_guessed_branch_is_the_worst_of_the_high_estimate_and_a_measured_one_of_the_likely() -> None:
    """Both from the amplifier. Measured, 430 m to a tap of 60 W, 83.31 Ω: 18.015/83.31 = 0.21625, so 20·log10
    1.21625 = 1.70 dB likely; 1.02 × 1.05 of it, 0.23160, 1.81 dB high. Guessed, 412 m to a tap of 50 W, 99.97
    Ω: 17.261/99.97 = 0.17266, 1.38 dB likely; 1.5 × 1.6 of it, 0.41439, 3.01 dB high, past 3 dB."""
    toy = line()
    measured = speaker(toy, 430.0, 60.0, basis=MEASURED)
    guessed = speaker(toy, 412.0, 50.0, basis=GUESSED)
    found = judged(toy)
    assert found.likely[0] == pytest.approx(1.700, abs=2e-3)
    assert found.high[0] == pytest.approx(3.011, abs=3e-3)
    # kindest: 0.98 × 0.95 of 0.21625; of the guessed one it is 0.7 × 0.6 of 0.17266
    assert found.low[0] == pytest.approx(db(1 + 0.98 * 0.95 * 0.21625), abs=2e-3)
    details = [found.low_detail[0], found.detail[0], found.high_detail[0]]
    assert details == [measured + 1000, measured + 1000, guessed + 1000]
    assert found.verdict[0] == Verdict.CANNOT_TELL  # not "within": 1.81 dB


def test_on_a_common_trunk_each_branch_has_the_others_short_in_its_high_corner() -> None:
    """Trunk of 200 m, guessed; from its end 260 m, measured, to 60 W, and 220 m, guessed, to 50 W."""
    toy = line()
    none: dict[str, Any] = {"count_low": 0.0, "count_likely": 0.0, "count_high": 0.0}
    trunk = speaker(toy, 200.0, NAN, basis=GUESSED, kind=p.PointKind.SPLICE, **none)
    measured = speaker(toy, 260.0, 60.0, basis=MEASURED, parent=trunk)
    guessed = speaker(toy, 220.0, 50.0, basis=GUESSED, parent=trunk)
    found = judged(toy)

    def loss(trunk_ohm: float, own_ohm: float, own_z: float, other_ohm: float) -> float:
        """At the end of a branch: ``other_ohm`` is the other one with its load."""
        both = 1 / (1 / (own_ohm + own_z) + 1 / other_ohm)
        return -db(both / (trunk_ohm + both) * own_z / (own_ohm + own_z))

    t, m, g, zm, zg = R * 200, R * 260, R * 220, V2 / 60, V2 / 50
    likely = {measured: loss(t, m, zm, g + zg), guessed: loss(t, g, zg, m + zm)}
    high = {
        measured: loss(1.5 * t, 1.02 * m, zm / 1.05, 0.7 * g + zg / 1.6),
        guessed: loss(1.5 * t, 1.5 * g, zg / 1.6, 0.98 * m + zm / 1.05),
    }
    low = {
        measured: loss(0.7 * t, 0.98 * m, zm / 0.95, 1.5 * g + zg / 0.6),
        guessed: loss(0.7 * t, 0.7 * g, zg / 0.6, 1.02 * m + zm / 0.95),
    }
    for estimate, value, detail in (
        (low, found.low[0], found.low_detail[0]),
        (likely, found.likely[0], found.detail[0]),
        (high, found.high[0], found.high_detail[0]),
    ):
        assert value == pytest.approx(max(estimate.values()), rel=1e-3)
        assert detail == max(estimate, key=lambda point: estimate[point]) + 1000
    assert [found.detail[0], found.high_detail[0]] == [measured + 1000, guessed + 1000]


def test_the_only_device_before_a_splice_is_judged() -> None:
    toy = line()
    near = speaker(toy, 100.0, 30.0, basis=MEASURED)
    none: dict[str, Any] = {"count_low": 0.0, "count_likely": 0.0, "count_high": 0.0}
    speaker(toy, 100.0, NAN, basis=MEASURED, parent=near, kind=p.PointKind.SPLICE, **none)
    found = judged(toy)
    assert found.detail[0] == near + 1000
    assert found.likely[0] == pytest.approx(db(1 + R * 100 * 30 / V2), rel=1e-3)


def nodal_voltage(parent: list[int], ohm: np.ndarray, siemens: np.ndarray, source_ohm: float) -> np.ndarray:
    """Kirchhoff's current law at every node, as one dense system: node 0 the terminal behind the source."""
    count = len(parent) + 1
    y = np.zeros((count, count))
    y[0, 0] += 1 / source_ohm
    for node, (above, r, g) in enumerate(zip(parent, ohm, siemens, strict=True), start=1):
        y[node, node] += g + 1 / r
        y[above + 1, above + 1] += 1 / r
        y[node, above + 1] -= 1 / r
        y[above + 1, node] -= 1 / r
    driven = np.zeros(count)
    driven[0] = 1 / source_ohm
    return np.linalg.solve(y, driven)[1:]


def ancestors(parent: list[int], node: int) -> set[int]:
    """The node and all above it."""
    return {node} | (ancestors(parent, parent[node]) if parent[node] >= 0 else set())


def first_share(parent: list[int], place: np.ndarray, node: int) -> int:
    """The first share before a share that others come before; else the node itself."""
    at = node
    if place[node] in (p.SharePlace.MIDDLE, p.SharePlace.LAST):
        while at >= 0 and place[at] != p.SharePlace.FIRST:
            at = parent[at]
    return at if at >= 0 else node


@pytest.mark.parametrize("shares", [False, True])
@pytest.mark.parametrize("seed", range(6))
def test_every_point_in_its_own_corner_obeys_kirchhoff(seed: int, shares: bool) -> None:
    """Shares of one segment, whose distances are not recorded, are long or short together."""
    rng = np.random.default_rng(seed)
    trees = []
    for _ in range(4):
        count = int(rng.integers(2, 15))
        parent = [int(rng.integers(-1, node)) if rng.random() < 0.4 else node - 1 for node in range(count)]
        ohm = rng.uniform(0.1, 8, count) * np.array([[0.7], [1.0], [1.5]])
        siemens = rng.uniform(0, 0.4, count) * (rng.random(count) < 0.8) * np.array([[0.6], [1.0], [1.6]])
        place = rng.integers(-1, 4, count) if shares else np.full(count, -1)
        trees.append((parent, ohm, siemens, float(rng.uniform(0.1, 5)), place))
    first = np.cumsum([0] + [len(tree[0]) for tree in trees])
    of_all = [above + int(first[k]) if above >= 0 else -1 for k, t in enumerate(trees) for above in t[0]]
    found = voltages_in_own_corners(
        Forest.build(of_all, np.repeat(np.arange(len(trees)), np.diff(first)), len(trees)),
        source_ohm=np.array([t[3] for t in trees]),
        segment_ohm=np.concatenate([t[1] for t in trees], axis=1),
        conductance_s=np.concatenate([t[2] for t in trees], axis=1),
        share_place=np.concatenate([t[4] for t in trees]),
    )
    for tree, (parent, ohm, siemens, source_ohm, place) in enumerate(trees):
        for point in range(len(parent)):
            on_path = ancestors(parent, point)
            long = np.array([bool({k, first_share(parent, place, k)} & on_path) for k in range(len(parent))])
            for band, (on, off) in enumerate(((0, 2), (1, 1), (2, 0))):
                segments = np.where(long, ohm[on], ohm[off])
                by_kirchhoff = nodal_voltage(parent, segments, siemens[band], source_ohm)[point]
                assert found[band, first[tree] + point] == pytest.approx(by_kirchhoff, rel=1e-9)


def test_a_speaker_cut_into_a_segment_at_an_unknown_distance_has_all_of_it_before_it_or_none() -> None:
    """100 m off a drawing, 95 to 140 m, cut by a speaker somewhere; 30 W there and 30 W at the end, measured:
    0.95 to 1.05 of it. High: 140 m carry both taps, and nothing lies between the two. Low: both are at the
    amplifier's end of nothing, and 95 m lie between them; the far one loses what its own tap makes."""
    toy = line()
    share: dict[str, Any] = {"length_share": 0.5, "tap_w": 30.0, "basis": MEASURED}
    first = speaker(toy, 50.0, length_share_place=p.SharePlace.FIRST, **share)
    last = speaker(toy, 50.0, length_share_place=p.SharePlace.LAST, parent=first, **share)
    for row in toy.rows["points"]:
        row["length_basis"] = DRAWING
    found = judged(toy)
    z, r = V2 / 30, R * 100
    assert found.high[0] == pytest.approx(db(1 + 1.4 * r * 2 * 1.05 / z), rel=1e-3)
    assert found.low[0] == pytest.approx(db(1 + 0.95 * r * 0.95 / z), rel=1e-3)
    far = r / 2 + z
    near = 1 / (1 / z + 1 / far)
    assert found.likely[0] == pytest.approx(-db(near / (r / 2 + near) * z / far), rel=1e-3)
    assert found.detail[0] == last + 1000


# --- ratings that are not recorded --------------------------------------------------------------------------


@pytest.mark.parametrize("code", ["amplifier_load", "line_impedance"])
def test_without_the_rated_power_of_the_amplifier_there_is_no_limit(code: str) -> None:
    """Neither rated × 0.8, nor Z = V²/P of it for the lowest load."""
    toy = line(rated_power_w=NAN)
    speaker(toy, 10.0, 5.0, basis=MEASURED)
    found = judged(toy, Rule(code, at_least=code == "line_impedance"))
    assert np.isnan(found.limit[0])
    assert found.verdict[0] == Verdict.CANNOT_TELL


@pytest.mark.parametrize("code", ["line_loss", "line_impedance"])
def test_without_the_line_voltage_taps_have_no_impedance(code: str) -> None:
    toy = line(line_voltage_v=NAN)
    speaker(toy, 10.0, 5.0, basis=MEASURED)
    found = judged(toy, Rule(code, at_least=code == "line_impedance"))
    assert np.isnan([found.low[0], found.likely[0], found.high[0]]).all()
    assert found.verdict[0] == Verdict.CANNOT_TELL


def test_without_an_amplifier_the_loss_of_a_line_cannot_be_told() -> None:
    toy = line()
    speaker(toy, 10.0, 5.0, basis=MEASURED)
    toy.rows["runs"][0]["amplifier_index"] = -1
    assert judged(toy).verdict[0] == Verdict.CANNOT_TELL


# --- low impedance ------------------------------------------------------------------------------------------


def low_impedance(*ohms: float, lowest: float = 4.0) -> ToyPlant:
    """Speakers in parallel beside the amplifier; NaN: not recorded."""
    toy = ToyPlant()
    toy.cable(gauge_awg=16.0)
    amplifier = toy.add("amplifiers", line_voltage_v=NAN, minimum_impedance_ohm=lowest)
    toy.run(kind=p.RunKind.LOW_IMPEDANCE, amplifier_index=amplifier)
    for ohm in ohms:
        model = toy.model(nominal_impedance_ohm=ohm)
        toy.chain(0, 1, model_index=model, cable_index=0, length_m=0.0, length_basis=MEASURED)
    return toy


IMPEDANCE = Rule("line_impedance", at_least=True)


@pytest.mark.parametrize(
    ("ohms", "lowest", "parallel", "verdict"),
    [
        ((8.0, 8.0), 4.0, 4.0, Verdict.NEAR),  # just what it may drive
        ((8.0, 8.0, 8.0), 4.0, 8 / 3, Verdict.PAST),
        ((16.0, 8.0), 4.0, 16 / 3, Verdict.WITHIN),
        ((8.0,), NAN, 8.0, Verdict.CANNOT_TELL),
        ((NAN,), 4.0, NAN, Verdict.CANNOT_TELL),
        ((16.0, NAN), 4.0, 16.0, Verdict.CANNOT_TELL),  # at most 16 Ω
        ((8.0, 8.0, 8.0, NAN), 4.0, 8 / 3, Verdict.PAST),  # at most 2.67 Ω: past whatever the fourth is
    ],
)
def test_low_impedance_speakers_in_parallel_against_the_lowest_load(
    ohms: tuple[float, ...], lowest: float, parallel: float, verdict: Verdict
) -> None:
    """1/Z = Σ 1/Zₖ; a speaker whose impedance is not recorded can only make it less."""
    found = judged(low_impedance(*ohms, lowest=lowest), IMPEDANCE)
    assert found.likely[0] == pytest.approx(parallel, nan_ok=True)
    assert found.verdict[0] == verdict
    assert bool(found.bounds[0]) == any(map(math.isnan, ohms))


def test_the_loss_beside_a_speaker_not_recorded_may_be_more() -> None:
    """8 Ω behind 20 m of 16 AWG (4.016 Ω/1000 ft): 0.527 Ω, 20·log10 (1 + 0.527/8) = 0.554 dB at least."""
    toy = low_impedance(8.0, NAN)
    for row in toy.rows["points"]:
        row["length_m"] = 20.0
    found = judged(toy)
    assert found.likely[0] == pytest.approx(0.554, abs=1e-3)
    assert found.verdict[0] == Verdict.CANNOT_TELL
