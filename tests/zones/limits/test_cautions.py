"""Where each caution matters, and where it is left out."""

from __future__ import annotations

import pytest

from zones.limits.cautions import CAUTIONS, Caution, Surroundings, cautions_of

WHERE_IT_MATTERS = [
    (
        Caution.LIFE_SAFETY,
        Surroundings(life_safety=frozenset({("Quay", "no"), ("Gangway", "yes")})),
        "zone Gangway serves life safety",
    ),
    (
        Caution.LIFE_SAFETY,
        Surroundings(life_safety=frozenset({("Gangway", "unknown"), ("Quay", "unknown")})),
        "life safety not recorded for zones Gangway and Quay",
    ),
    (Caution.GAS, Surroundings(texts=("", "Ammonia plant room: alarm panel at the door")), "ammonia"),
    (Caution.GAS, Surroundings(texts=("behind the CHLORINE store",)), "chlorine"),
    (Caution.GAS, Surroundings(dangers=("ammonia next door",)), "ammonia"),
    (Caution.CONFINED_SPACE, Surroundings(texts=("hatch to the crawl space",)), "mentions crawl space"),
    (Caution.CONFINED_SPACE, Surroundings(texts=("cable runs in the DUCT",)), "mentions duct"),
    (Caution.CONFINED_SPACE, Surroundings(dangers=("confined, one way out",)), "mentions confined"),
    (Caution.WET_PLACE, Surroundings(texts=("behind the pool hall",)), "mentions pool"),
    (Caution.WET_PLACE, Surroundings(dangers=("wash-down at night",)), "mentions wash-down"),
    (Caution.DANGER, Surroundings(dangers=("", "Water on the floor.")), "recorded here: Water on the floor"),
    (
        Caution.DANGER,
        Surroundings(dangers=("forklifts", "cold store,\n-25 °C")),
        "forklifts; cold store, -25 °C",
    ),
    (Caution.DANGER, Surroundings(dangers=("dust", "dust")), "recorded here: dust"),
    (Caution.LINE_VOLTAGE, Surroundings(line_voltages_v=frozenset({70.7})), "70.7 V"),
    (Caution.LINE_VOLTAGE, Surroundings(line_voltages_v=frozenset({25.0, 100.0})), "100 V"),
    (Caution.LINE_VOLTAGE, Surroundings(line_voltages_v=frozenset({None})), "not recorded"),
    (Caution.DISCONNECT, Surroundings(sources=("supply PS 1",)), "supply PS 1"),
    (Caution.DISCONNECT, Surroundings(limits=frozenset({Caution.DISCONNECT})), "is energised"),
    (Caution.LADDER, Surroundings(ladder_m=4.5), "4.5 m"),
    # 1 ft is 0.3048 m: 2.4384 m are 8 ft
    (Caution.LADDER, Surroundings(ladder_m=2.4384, length_unit="ft"), "up to 8 ft high"),
    (Caution.WIRING_CLASSES, Surroundings(limits=frozenset({Caution.WIRING_CLASSES})), "Class 2"),
    (Caution.PLENUM, Surroundings(plenum_cable=True), "plenum cable"),
    (Caution.PLENUM, Surroundings(texts=("above the plenum ceiling",)), "plenum"),
    (Caution.LOCAL_CODE, Surroundings(limits=frozenset({Caution.LOCAL_CODE})), "wiring rules"),
    (Caution.LOCAL_CODE, Surroundings(line_voltages_v=frozenset({100.0})), "can shock"),
]


@pytest.mark.parametrize(("caution", "here", "why"), WHERE_IT_MATTERS)
def test_it_is_shown_where_it_matters_and_says_why(caution: Caution, here: Surroundings, why: str) -> None:
    found = {one.caution: one for one in cautions_of(here)}
    assert why in found[caution].why
    assert found[caution].text.endswith(caution.text)


def test_who_isolates_at_a_block_knows_what_stays_live_and_what_falls_silent() -> None:
    text = Caution.DISCONNECT.text
    assert "equipment side of the block stays live" in text
    assert "the zone is silent while they are out" in text


def test_a_silent_line_is_never_taken_for_an_isolated_one() -> None:
    """Between pages a line carries nothing, and a meter on it shows 0 V."""
    assert (
        "A silent line reads 0 V until the next page: never take a measurement for isolation. Lock out or "
        "unplug the source, then verify."
    ) in Caution.DISCONNECT.text
    assert "reads 0 V until the next page" in Caution.LINE_VOLTAGE.text


@pytest.mark.parametrize(
    ("jurisdiction", "said", "unsaid"),
    [
        (None, ["NFPA 72", "the NEC", "OSHA 1910.146"], ["CSA", "ULC"]),
        ("united_states", ["NFPA 72", "the NEC", "OSHA 1910.146", "NEC Chapter 9 Table 11"], ["CSA", "ULC"]),
        ("canada", ["CSA C22.1", "CAN/ULC-S524", "CSA Z1006"], ["NEC", "NFPA", "OSHA"]),
        ("elsewhere", ["local wiring and emergency sound rules"], ["NEC", "NFPA", "OSHA", "CSA", "ULC"]),
    ],
)
def test_the_words_follow_the_jurisdiction(
    jurisdiction: str | None, said: list[str], unsaid: list[str]
) -> None:
    here = Surroundings(
        life_safety=frozenset({("Quay", "yes")}),
        dangers=("wet crawl space",),
        limits=frozenset(Caution),
        jurisdiction=jurisdiction,
    )
    texts = " ".join(one.text for one in cautions_of(here))
    assert [words for words in said if words not in texts] == []
    assert [words for words in unsaid if words in texts] == []
    assert "25 V can hurt too" in texts
    assert "a permit, an attendant outside and tested air" in texts


def test_a_danger_comes_with_its_own_words_once() -> None:
    (danger,) = cautions_of(Surroundings(dangers=("forklifts cross.", "ice")))
    assert (danger.why, danger.text) == ("recorded here: forklifts cross; ice", Caution.DANGER.text)


def test_where_nothing_is_known_nothing_is_shown() -> None:
    assert cautions_of(Surroundings()) == ()


@pytest.mark.parametrize(
    "here",
    [
        Surroundings(life_safety=frozenset({("Quay", "no")})),
        Surroundings(line_voltages_v=frozenset({25.0})),
        Surroundings(ladder_m=0.0),
        Surroundings(dangers=("", " \n")),
        Surroundings(
            texts=("harmonia hall", "an explained space", "bechlorined", "ducted, swettenham, carpool")
        ),
    ],
)
def test_it_is_left_out_where_it_does_not_matter(here: Surroundings) -> None:
    assert cautions_of(here) == ()


def test_the_worst_comes_first_and_each_once() -> None:
    everything = Surroundings(
        life_safety=frozenset({("Quay", "yes"), ("Gangway", "unknown")}),
        line_voltages_v=frozenset({70.7, None}),
        sources=("supply PS 1", "supply PS 2", "amplifier A 1", "amplifier A 2"),
        ladder_m=3.0,
        plenum_cable=True,
        dangers=("ammonia in the wet crawl space",),
        limits=frozenset(Caution),
    )
    found = cautions_of(everything)
    assert [one.caution for one in found] == list(Caution)
    assert found[0].caution is Caution.LIFE_SAFETY
    (energised,) = (one.why for one in found if one.caution is Caution.DISCONNECT)
    assert energised == "energised here: supply PS 1, supply PS 2, amplifier A 1 and 1 more"


def test_every_caution_has_its_rule() -> None:
    assert list(CAUTIONS) == list(Caution)
    assert {caution for caution, _, _ in WHERE_IT_MATTERS} == set(Caution)
