"""Properties of every plant."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.zones.electrical.judged import (
    AT_LEAST,
    CODES,
    MEASURED,
    RULES,
    figures,
)
from tests.zones.electrical.plants import NAN, ToyPlant
from zones.electrical import plant as p
from zones.electrical.audio_lines import AUDIO_CODES, LINE_CODES
from zones.electrical.calibration import DISAGREEMENT_CODES
from zones.electrical.evaluate import Evaluation, evaluate
from zones.electrical.network_power import NETWORK_POWER_CODES
from zones.electrical.proofs import PROOF_CODES
from zones.electrical.self_amplified import DC_CODES
from zones.electrical.terminations import TERMINATION_CODES


@st.composite
def random_plants(draw: st.DrawFn) -> ToyPlant:
    toy = ToyPlant(temperature_c=draw(st.sampled_from([-25.0, 20.0, 45.0])))
    toy.model()
    toy.model(device_kind=3, full_output_current_a=0.25)
    toy.model(idle_current_a=NAN, full_output_current_a=NAN, full_output_power_w=4.0, idle_power_w=0.5)
    toy.cable(category=True)
    toy.cable(gauge_awg=18.0)
    for _ in range(2):
        toy.add(
            "supplies",
            rated_current_a=draw(st.sampled_from([1.0, 2.0, 4.0, NAN])),
            rated_load_voltage_v=draw(st.sampled_from([23.0, NAN])),
        )
    toy.add("outputs")
    toy.add("amplifiers")
    for _ in range(draw(st.integers(1, 4))):
        kind = draw(st.sampled_from([0, 0, 1]))
        run = toy.run(
            kind=kind,
            supply_index=draw(st.integers(0, 1)) if kind == 0 else -1,
            output_index=0 if kind == 0 else -1,
            amplifier_index=0 if kind == 1 else -1,
        )
        made: list[int] = []
        for _ in range(draw(st.integers(1, 8))):
            basis = draw(st.integers(0, 4))
            tap = draw(st.integers(0, 4))
            made.append(
                toy.add(
                    "points",
                    run_index=run,
                    parent_index=draw(st.sampled_from([-1, *made[-3:]])),
                    step=draw(st.integers(1, 2)) if not made else 2,
                    model_index=draw(st.sampled_from([-1, 0, 1, 2])),
                    cable_index=draw(st.sampled_from([-1, 0, 1])),
                    length_m=draw(st.floats(0.0, 60.0)) if basis else NAN,
                    length_basis=basis,
                    tap_power_w=draw(st.sampled_from([0.5, 1.0, 10.0])) if tap else NAN,
                    tap_basis=tap,
                    current_basis=draw(st.integers(0, 4)),
                    dc_pairs=draw(st.integers(1, 3)),
                    negative_cut=False,
                )
            )
    return toy


def _equal(a: Evaluation, b: Evaluation) -> None:
    def rows(e: Evaluation) -> dict[tuple[int, int, int], list[float]]:
        return {
            (int(e.rule[i]), int(e.subject_kind[i]), int(e.subject_id[i])): [
                float(x[i]) for x in (e.low, e.likely, e.high, e.limit, e.verdict, e.detail)
            ]
            for i in range(len(e))
        }

    mine, theirs = rows(a), rows(b)
    assert mine.keys() == theirs.keys()
    for key, values in mine.items():
        assert values == pytest.approx(theirs[key], rel=1e-12, abs=1e-12, nan_ok=True), CODES[key[0]]


@given(random_plants())
def test_low_likely_and_high_are_in_order_of_harshness(toy: ToyPlant) -> None:
    found = figures(toy)
    sign = np.where(np.isin(found.rule, [CODES.index(c) for c in AT_LEAST]), -1.0, 1.0)
    with np.errstate(invalid="ignore"):
        for gentle, harsh in ((found.low, found.likely), (found.likely, found.high)):
            worse = sign * (gentle - harsh) > 1e-9 * np.abs(harsh)
            assert not worse.any(), [CODES[r] for r in found.rule[worse]]


@given(random_plants())
def test_a_group_alone_has_the_figures_it_has_in_its_site(toy: ToyPlant) -> None:
    plant = toy.build()
    whole = evaluate(plant, p.Members.of_sites(plant, 3), RULES)
    groups = np.arange(len(plant.group_site))
    parts = evaluate(plant, p.Members.of_groups(plant, groups, np.full(len(groups), 3)), RULES)
    _equal(whole, parts)
    for group in groups:
        one = evaluate(plant, p.Members.of_groups(plant, np.array([group]), np.array([3])), RULES)
        mine = parts.member == group
        assert len(one) == mine.sum()
        assert one.likely == pytest.approx(parts.likely[mine], rel=1e-12, nan_ok=True)


@given(random_plants(), st.integers(0, 1))
def test_another_speaker_never_raises_a_voltage(toy: ToyPlant, model: int) -> None:
    before = figures(toy)
    run = len(toy.run_kinds) - 1
    last = max(i for i, r in enumerate(toy.rows["points"]) if r["run_index"] == run)
    parent = toy.rows["points"][last]["point_index"]
    toy.add(
        "points",
        run_index=run,
        parent_index=parent,
        step=2,
        model_index=model,
        cable_index=0,
        length_m=5.0,
        length_basis=MEASURED,
    )
    after = figures(toy)
    for code in ("run_voltage", "supply_current"):
        for i in np.flatnonzero(before.rule == CODES.index(code)):
            j = np.flatnonzero((after.rule == before.rule[i]) & (after.subject_id == before.subject_id[i]))
            old, new = before.likely[i], after.likely[j[0]]
            if np.isnan(old) or np.isnan(new) or before.limit[i] != after.limit[j[0]]:
                continue
            assert new <= old + 1e-9 if code == "run_voltage" else new >= old - 1e-9


def test_every_limit_is_made_by_a_family() -> None:
    """A family that does not say so makes no figure where that limit alone is asked for."""
    made = AUDIO_CODES | DC_CODES | DISAGREEMENT_CODES | LINE_CODES | NETWORK_POWER_CODES | TERMINATION_CODES
    made |= PROOF_CODES
    assert made == {*CODES}


def test_one_limit_alone_has_the_figures_it_has_among_all() -> None:
    """What makes the figures of other limits need not run: nothing of its own may be lost with it."""
    toy = ToyPlant()
    toy.model()
    toy.add("supplies", rated_current_a=2.0)
    toy.add("outputs")
    toy.add("amplifiers")
    for kind in (0, 1):
        sources = {"supply_index": 0, "output_index": 0} if kind == 0 else {"amplifier_index": 0}
        run = toy.run(kind=kind, zone_id=1, **sources)
        toy.add(
            "points", run_index=run, model_index=0, length_m=10.0, zone_id=2, tap_power_w=1.0, tap_basis=3
        )
    plant = toy.build()
    members = p.Members.of_sites(plant, 3)
    among_all = evaluate(plant, members, RULES)
    made = {CODES[number] for number in among_all.rule}
    assert made >= {
        "output_speakers",
        "audio_level",
        "other_zone",
        "amplifier_load",
        "line_impedance",
        "line_loss",
    }
    for number, rule in enumerate(RULES):
        alone = evaluate(plant, members, [rule])
        own = among_all.rule == number
        assert alone.subject_id.tolist() == among_all.subject_id[own].tolist(), rule.code
        assert alone.likely.tolist() == pytest.approx(among_all.likely[own].tolist(), nan_ok=True), rule.code
