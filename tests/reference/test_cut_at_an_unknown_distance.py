"""A segment that a point was cut into somewhere: the two parts add up to it, in every estimate. Likely they
are halves; at worst all of it lies before the new device, at best all behind (common practice, no source).

Every figure is worked by Ohm's law. 24 AWG by ASTM B258 with IEC 60028, one pair, at 20 °C.
"""

from __future__ import annotations

import math
from typing import Any

import pytest

from tests.zones.electrical.plants import NAN, ToyPlant
from zones.electrical.bands import Basis
from zones.electrical.evaluate import evaluate
from zones.electrical.plant import Members, PointKind, ReadingKind, RunKind, SharePlace
from zones.electrical.shared_lengths import wholes
from zones.electrical.verdicts import Rule

OHM_PER_M = 2 / 58 / (math.pi / 4 * (0.127 * 92 ** (12 / 39)) ** 2)
"""Out and back."""
DRAWING, MEASURED = int(Basis.DRAWING), int(Basis.MEASURED)
FIRST, MIDDLE, LAST, ALONE = SharePlace
SPLICE: dict[str, Any] = {"kind": PointKind.SPLICE, "count_low": 0, "count_likely": 0, "count_high": 0}
RULES = {
    "run_voltage": Rule("run_voltage", at_least=True),
    "line_loss": Rule("line_loss", near_margin=2.0),
}


class Hall:
    """A run of 24 AWG; loads exactly known, so that only lengths are in doubt."""

    def __init__(self, kind: RunKind = RunKind.SELF_AMPLIFIED, **feed: Any) -> None:
        toy = self.toy = ToyPlant()
        toy.factors = toy.factors.with_values({"current_measured_low": 1.0, "current_measured_high": 1.0})
        self.cable = toy.cable()
        self.run = toy.run(kind=kind, **feed)

    def point(
        self, parent: int = -1, amps: float = 0.2, m: float = NAN, basis: int = MEASURED, **facts: Any
    ) -> int:
        """A speaker that draws so much, behind so many metres; no amperes: a bare splice."""
        loads = SPLICE if not amps else {"model_index": self.toy.model(speech_current_a=amps)}
        return self.toy.add(
            "points", run_index=self.run, parent_index=parent, cable_index=self.cable, length_m=m,
            length_basis=0 if math.isnan(m) else basis, current_basis=MEASURED, **loads | facts,
        )  # fmt: skip

    def figure(self, code: str = "run_voltage", step: int = 1) -> list[float]:
        """Low, likely and high."""
        plant = self.toy.build()
        found = evaluate(plant, Members.of_sites(plant, step), [RULES[code]])
        return [found.low[0], found.likely[0], found.high[0]]


def fed() -> Hall:
    hall = Hall()
    hall.toy.change("runs", hall.run, step=1, supply_index=hall.toy.add("supplies"))
    hall.toy.rows["runs"] = hall.toy.rows["runs"][1:]
    return hall


def share(of: float, place: SharePlace) -> dict[str, Any]:
    return {"length_share": of, "length_share_place": place}


@pytest.mark.parametrize(
    ("m", "basis", "whole"),
    [
        (10.0, DRAWING, (9.5, 10.0, 14.0)),
        (10.0, MEASURED, (9.8, 10.0, 10.2)),
        (NAN, 0, (15.0, 40.0, 90.0)),  # a home run of unknown length
    ],
)
def test_a_bare_splice_changes_no_figure(m: float, basis: int, whole: tuple[float, ...]) -> None:
    """0.2 A through the whole, however often it was cut."""
    expected = [24 - 0.2 * OHM_PER_M * metres for metres in whole]
    uncut = fed()
    uncut.point(m=m, basis=basis)
    assert uncut.figure() == pytest.approx(expected, abs=1e-5)
    cut = fed()
    first = cut.point(amps=0, m=m / 2, basis=basis, **share(0.5, FIRST))
    second = cut.point(first, amps=0, m=m / 4, basis=basis, **share(0.25, MIDDLE))
    cut.point(second, m=m / 4, basis=basis, **share(0.25, LAST))
    assert cut.figure() == pytest.approx(expected, abs=1e-5)


def test_an_unknown_segment_between_speakers_stays_one_of_4_8_15_m() -> None:
    """10 m ± 2 % to the first speaker, then a segment of unknown length, cut once."""
    hall = fed()
    first = hall.point(amps=0.1, m=10.0)
    splice = hall.point(first, amps=0, **share(0.5, FIRST))
    hall.point(splice, amps=0.2, **share(0.5, LAST))
    drops = [0.3 * 9.8 + 0.2 * 4, 0.3 * 10 + 0.2 * 8, 0.3 * 10.2 + 0.2 * 15]
    assert hall.figure() == pytest.approx([24 - OHM_PER_M * drop for drop in drops], abs=1e-5)


def test_a_device_cut_in_lies_at_the_near_end_at_best_and_at_the_far_end_at_worst() -> None:
    """0.3 A cut into 10 m ± 2 % before a speaker of 0.2 A: 0.5 A as far as the device, 0.2 A from there."""
    hall = fed()
    device = hall.point(amps=0.3, m=5.0, **share(0.5, FIRST))
    hall.point(device, amps=0.2, m=5.0, **share(0.5, LAST))
    drops = [0.5 * 0 + 0.2 * 9.8, 0.5 * 5 + 0.2 * 5, 0.5 * 10.2 + 0.2 * 0]
    assert hall.figure() == pytest.approx([24 - OHM_PER_M * drop for drop in drops], abs=1e-5)


def test_two_devices_cut_into_one_segment() -> None:
    """Likely at a quarter and a half of 20 m ± 2 %; both at the near end at best, at the far end at worst."""
    hall = fed()
    first = hall.point(amps=0.1, m=5.0, **share(0.25, FIRST))
    second = hall.point(first, amps=0.1, m=5.0, **share(0.25, MIDDLE))
    hall.point(second, amps=0.1, m=10.0, **share(0.5, LAST))
    drops = [0.1 * 19.6, 0.3 * 5 + 0.2 * 5 + 0.1 * 10, 0.3 * 20.4]
    assert hall.figure() == pytest.approx([24 - OHM_PER_M * drop for drop in drops], abs=1e-5)


@pytest.mark.parametrize(
    ("last", "leads_to", "comes_from", "home_run"),
    [
        # all three parts are of the segment from the block to the last point
        (share(1 / 3, LAST), [2, 2, 2], [-1, -1, -1], [True, True, True]),
        # the length of the last one was measured since: the first two are of no whole that ends somewhere
        ({"m": 4.0}, [0, 1, 2], [-1, -1, 1], [True, True, False]),
    ],
)
def test_what_parts_are_of(
    last: dict[str, Any], leads_to: list[int], comes_from: list[int], home_run: list[bool]
) -> None:
    hall = fed()
    first = hall.point(**share(1 / 3, FIRST))
    second = hall.point(first, **share(1 / 3, MIDDLE))
    hall.point(second, **last)
    whole = wholes(hall.toy.build().points)
    assert whole.point.tolist() == leads_to
    assert whole.parent.tolist() == comes_from
    assert whole.home_run.tolist() == home_run


def test_a_distance_measured_in_between_leaves_what_is_before_and_behind_it() -> None:
    """20 m, of which 3 m ± 2 % between two cut-in devices: the other 17 m lie before or behind the two."""
    hall = fed()
    first = hall.point(amps=0.1, m=8.5, **share(0.5, FIRST))
    second = hall.point(first, amps=0.1, m=3.0)
    hall.point(second, amps=0.1, m=8.5, **share(0.5, LAST))
    drops = [
        0.2 * 3 * 0.98 + 0.1 * 17 * 0.98,
        0.3 * 8.5 + 0.2 * 3 + 0.1 * 8.5,
        0.3 * 17 * 1.02 + 0.2 * 3 * 1.02,
    ]
    assert hall.figure() == pytest.approx([24 - OHM_PER_M * drop for drop in drops], abs=1e-5)


def test_what_is_left_of_a_segment_may_be_any_part_of_it() -> None:
    """The other part was rerouted: between nothing and 10 m ± 2 % of it is left."""
    hall = fed()
    hall.point(m=5.0, **share(0.5, ALONE))
    expected = [24.0, 24 - 0.2 * OHM_PER_M * 5, 24 - 0.2 * OHM_PER_M * 10.2]
    assert hall.figure() == pytest.approx(expected, abs=1e-5)


def test_seen_from_a_supply_at_the_far_end_the_other_part_comes_first() -> None:
    """A supply at the far speaker alone (0.2 A) feeds back to the one that was cut in (0.3 A): at worst it is
    10.2 m away, at best nothing. What lies between it and the block carries nothing."""
    hall = Hall()
    device = hall.point(amps=0.3, m=5.0, **share(0.5, FIRST))
    supply = hall.toy.add("supplies")
    hall.point(device, amps=0.2, m=5.0, feed_supply_index=supply, **share(0.5, LAST))
    drops = [0.0, 0.3 * 5, 0.3 * 10.2]
    assert hall.figure() == pytest.approx([24 - OHM_PER_M * drop for drop in drops], abs=1e-5)


def test_on_a_line_the_parts_beside_the_path_add_up_too() -> None:
    """70.7 V; 30 W cut into 100 m ± 2 % before 1 W, and 60 W 200 m ± 2 % behind the 30 W, which is judged.
    At worst all of the 100 m lies before the 30 W, so the 1 W is right beside it."""
    hall = Hall(RunKind.CONSTANT_VOLTAGE)
    hall.toy.change("runs", hall.run, step=1, amplifier_index=hall.toy.add("amplifiers"))
    hall.toy.rows["runs"] = hall.toy.rows["runs"][1:]
    taps = {"tap_basis": MEASURED}
    device = hall.point(m=50.0, tap_power_w=30.0, **taps, **share(0.5, FIRST))
    hall.point(device, m=50.0, tap_power_w=1.0, **taps, **share(0.5, LAST))
    hall.point(device, m=200.0, tap_power_w=60.0, **taps)

    def loss_db(before_m: float, behind_m: float, branch_m: float) -> float:
        thirty, one, sixty = (70.7**2 / watts for watts in (30.0, 1.0, 60.0))
        far = branch_m * OHM_PER_M + sixty
        here = 1 / (1 / thirty + 1 / (behind_m * OHM_PER_M + one) + 1 / far)
        volts = here / (before_m * OHM_PER_M + here) * sixty / far
        return -20 * math.log10(volts)

    expected = [loss_db(0, 98, 196), loss_db(50, 50, 200), loss_db(102, 0, 204)]
    assert hall.figure("line_loss") == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("read_at", [1, 3])
def test_a_reading_settles_a_segment_before_and_after_it_was_cut(read_at: int) -> None:
    """20 m off a drawing; 23.2 V at the speaker of 0.2 A is 0.8 V over a segment, so that it is as long as
    0.8 V / (0.2 A · 2R′). A bare splice at step 2 changes nothing, whether it was read before or after."""
    hall = fed()
    far = hall.point(m=20.0, basis=DRAWING)
    uncut = {"run_index": hall.run, "kind": ReadingKind.END_VOLTAGE, "point_index": far}
    hall.toy.add("readings", step=read_at, value=23.2, source_voltage_v=24.0, **uncut)
    near = hall.point(amps=0, m=10.0, basis=DRAWING, step=2, **share(0.5, FIRST))
    # the splice stands before the speaker in the order of the run
    hall.toy.rows["points"][0]["point_index"], hall.toy.rows["points"][1]["point_index"] = near, far
    hall.toy.rows["readings"][0]["point_index"] = near
    hall.toy.change("points", near, step=2, parent_index=far, length_m=10.0, **share(0.5, LAST))
    before, after = hall.figure(step=1), hall.figure(step=2)
    assert before[1] == pytest.approx(23.2, abs=1e-6)
    assert after == pytest.approx(before, abs=1e-9)


def test_both_splices_of_a_segment_are_settled_by_one_reading() -> None:
    """The same 20 m off a drawing, cut twice: 0.8 V over 0.2 A is 0.8 / (0.2 · 2R′) = 23.75 m in all."""
    hall = fed()
    first = hall.point(amps=0, m=10.0, basis=DRAWING, **share(0.5, FIRST))
    second = hall.point(first, amps=0, m=5.0, basis=DRAWING, **share(0.25, MIDDLE))
    far = hall.point(second, m=5.0, basis=DRAWING, **share(0.25, LAST))
    hall.toy.add("readings", run_index=hall.run, kind=ReadingKind.END_VOLTAGE, point_index=far, value=23.2,
                 source_voltage_v=24.0, step=2)  # fmt: skip
    # at step 3 another device takes the place of the speaker: its segment is as long as it was
    hall.toy.change("points", far, step=3, model_index=hall.toy.model(speech_current_a=0.1))
    assert hall.figure(step=2)[1] == pytest.approx(23.2, abs=1e-6)
    assert hall.figure(step=3)[1] == pytest.approx(24 - 0.8 / 2, abs=1e-6)


def test_a_share_is_of_the_whole_that_stands_on_the_day() -> None:
    """A home run of unknown length, 15, 40 or 90 m, cut at step 1. From step 2 it is known to come from
    another speaker, 10 m ± 2 % behind the block, and so is 4, 8 or 15 m."""
    hall = fed()
    near = hall.point(amps=0.1, m=10.0)
    splice = hall.point(amps=0, **share(0.5, FIRST))
    far = hall.point(splice, amps=0.2, **share(0.5, LAST))
    hall.toy.change("points", splice, step=2, parent_index=near)
    hall.toy.change("points", far, step=2)
    assert hall.figure(step=1) == pytest.approx([24 - 0.2 * OHM_PER_M * m for m in (15, 40, 90)], abs=1e-5)
    drops = [0.3 * 9.8 + 0.2 * 4, 0.3 * 10 + 0.2 * 8, 0.3 * 10.2 + 0.2 * 15]
    assert hall.figure(step=2) == pytest.approx([24 - OHM_PER_M * drop for drop in drops], abs=1e-5)


def test_a_later_change_does_not_move_the_whole_of_an_earlier_day() -> None:
    """A segment from the block, of unknown length (15, 40 or 90 m), was cut; later the first part comes from
    another point. Until then both parts are of the segment from the block: 0.4 A on the first, 0.2 A on the
    last."""
    hall = fed()
    splice = hall.point(amps=0, m=3.0)
    first = hall.point(**share(0.5, FIRST))
    hall.point(first, **share(0.5, LAST))
    hall.toy.change("points", first, step=10, parent_index=splice)
    drops = [0.4 * 0 + 0.2 * 15, 0.4 * 20 + 0.2 * 20, 0.4 * 90 + 0.2 * 0]
    assert hall.figure(step=5) == pytest.approx([24 - OHM_PER_M * drop for drop in drops], abs=1e-5)
