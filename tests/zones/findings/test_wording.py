"""Sentences: each says what was done, when, by whom, under which job, and what it led to."""

from __future__ import annotations

import datetime as dt
import json
import string

import pytest

from tests.zones.findings.stories import NAMES, SUPPLY_CURRENT, Story, said, shown
from zones.electrical import plant as p
from zones.electrical.bands import Basis
from zones.electrical.estimates import Estimate
from zones.electrical.verdicts import Rule
from zones.findings.change_types import CHANGE_TYPES
from zones.findings.changes_at_step import ChangeAtStep, Reference
from zones.findings.wording import title, what_was_done
from zones.limits.amounts import amount
from zones.limits.registry import LIMITS, limit_by_code

LOAD = Rule("amplifier_load")
BUDGET = Rule("poe_allocated")
PORT_TYPE = Rule("port_type", near_margin=0.0)


@pytest.fixture
def story() -> Story:
    story = Story()
    story.on("2024-05-01", "M. Tarn", "LS-1900")
    story.speakers(story.fed_run(story.supply()), 27, 0.05)
    return story


def test_an_addition(story: Story) -> None:
    story.on("2025-03-14")
    story.speakers(0, 12, 0.04)
    assert said(story.only()) == (
        "12 wall speakers added on 2025-03-14 by R. Ondine, job LS-2207: supply S2 went from 1.35 A to "
        "1.83 A; limit 1.60 A"
    )


def test_an_addition_on_a_run_of_its_own_and_without_a_job(story: Story) -> None:
    story.on("2025-03-14", job="")
    story.speakers(story.fed_run(0), 12, 0.04)
    assert said(story.only()) == (
        "12 wall speakers added on 2025-03-14 by R. Ondine: supply S2 went from 1.35 A to 1.83 A; limit "
        "1.60 A"
    )


def test_who_did_the_work_is_named_and_who_typed_it_second(story: Story) -> None:
    story.on("2025-03-14", "Office", done_by="Hallam Crew")
    story.speakers(0, 12, 0.04)
    story.on("2025-04-02", "Office", "", done_by="Office", kind="correction")
    story.rewrite("points", 38, speech_current_a=0.05)
    assert said(story.only()).startswith(
        "12 wall speakers added on 2025-03-14 by Hallam Crew, job LS-2207, recorded by Office, record "
        "corrected on 2025-04-02 by Office ("
    )
    named = shown(story, story.only())["change"]
    assert (named["change_set"]["done_by"], named["change_set"]["actor"]) == ("Hallam Crew", "Office")
    # a person who recorded their own work is named once


def test_a_smaller_supply(story: Story) -> None:
    story.on("2025-03-14")
    story.alter("supplies", 0, rated_current_a=1.0)
    assert said(story.only(), "supply S1") == (
        "Supply S1 replaced, rated current lowered from 2.00 A to 1.00 A on 2025-03-14 by R. Ondine, job "
        "LS-2207: limit of supply S1 lowered from 1.60 A to 0.80 A; figure 1.35 A"
    )
    assert shown(story, story.only(), "supply S1")["sentence"] == said(story.only(), "supply S1")


def test_taps_raised() -> None:
    story = Story()
    story.on("2024-05-01")
    amplifier = story.put("amplifiers", rated_power_w=60.0)
    story.run_kinds.append(p.RunKind.CONSTANT_VOLTAGE)
    story.block_kinds.append(p.BlockKind.SCREW)
    run = story.put("runs", amplifier_index=amplifier)
    points = [
        story.put("points", run_index=run, tap_power_w=1.0, tap_basis=int(Basis.MEASURED)) for _ in range(20)
    ]
    story.on("2025-03-14", "E. Sorrel", "LS-2300")
    for point in points:
        story.alter("points", point, tap_power_w=5.0)
    assert said(story.only([LOAD]), "amplifier A1", LOAD) == (
        "Taps of 20 ceiling speakers raised from 1 W to 5 W on 2025-03-14 by E. Sorrel, job LS-2300: "
        "amplifier A1 went from 20 W to 100 W; limit 48 W"
    )


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (
            ChangeAtStep("tap_changed", 1.0, 1, before=1.0, after=5.0),
            "tap of 1 ceiling speaker raised from 1 W to 5 W",
        ),
        (ChangeAtStep("current_changed", 3.0, 3), "currents of 3 horns changed"),
        (ChangeAtStep("current_changed", 1.0, 3), "current of 1 horn changed"),
    ],
)
def test_one_tap_is_not_several(change: ChangeAtStep, said: str) -> None:
    assert what_was_done([change], {}) == said


def test_speakers_of_two_models_are_counted_together(story: Story) -> None:
    story.model(device_kind=2, full_output_current_a=0.08)
    story.model(device_kind=2, full_output_current_a=0.09)
    story.on("2025-03-14")
    for model in (0, 1):
        story.speakers(0, 1, 0.2, model=model)
    assert said(story.only()).startswith("2 wall speakers added on 2025-03-14")
    changes = shown(story, story.only())["change"]["changes"]
    assert [(one["count"], one["model"]["id"]) for one in changes] == [(1.0, 0), (1.0, 1)]


def test_a_swapped_model(story: Story) -> None:
    story.model(device_kind=2, full_output_current_a=0.08)
    story.model(device_kind=3, full_output_current_a=2.0)
    point = story.speakers(0, 1, float("nan"), model=0)[0]
    story.on("2025-03-14")
    story.alter("points", point, model_index=1)
    assert said(story.only()).startswith(
        "WS-8 replaced by 1 horn (HN-15) on 2025-03-14 by R. Ondine, job LS-2207: supply S2 went from "
        "1.39 A to"
    )


def test_a_range(story: Story) -> None:
    story.on("2025-01-10", "E. Sorrel", "LS-2300")
    story.speakers(0, 4, 0.05, basis=Basis.MARKED)
    story.on("2025-03-14")
    story.speakers(0, 2, 0.05, basis=Basis.MARKED)
    assert said(story.only()) == (
        "Between 2025-01-10 (4 wall speakers added by E. Sorrel, job LS-2300) and 2025-03-14 (2 wall "
        "speakers added by R. Ondine, job LS-2207): supply S2 went from 1.35 A to 1.65 A; limit 1.60 A"
    )


def test_a_range_from_what_was_found(story: Story) -> None:
    story.on("2024-05-01")
    story.speakers(0, 6, 0.05, basis=Basis.MARKED)
    story.on("2025-03-14")
    story.speakers(0, 6, 0.05, basis=Basis.MARKED)
    assert said(story.only()) == (
        "Between what was found on 2024-05-01 and 2025-03-14 (6 wall speakers added by R. Ondine, job "
        "LS-2207): supply S2 went from 1.65 A to 1.95 A; limit 1.60 A"
    )


def test_as_found(story: Story) -> None:
    story.speakers(0, 12, 0.04)
    assert said(story.only(day="2024-05-02")) == (
        "As found on the first day, 2024-05-01: supply S2 at 1.83 A; limit 1.60 A"
    )
    assert said(story.only()).startswith("On the first day, 2024-05-01: ")  # which is not over
    story.surveyed_on = dt.date(2024, 6, 1)
    assert (
        said(story.only(day="2024-06-01"))
        == "As found by the survey of 2024-06-01: supply S2 at 1.83 A; limit 1.60 A"
    )


def test_a_correction_names_the_work_and_itself(story: Story) -> None:
    story.on("2025-03-14")
    added = story.speakers(0, 12, 0.01)
    story.on("2026-02-01", "P. Vale", "LS-2500", kind="correction")
    for point in added:
        story.rewrite("points", point, speech_current_a=0.04)
    story.crossed_by = 102
    found = story.only()
    assert said(found) == (
        "12 wall speakers added on 2025-03-14 by R. Ondine, job LS-2207, known since the record was "
        "corrected on 2026-02-01 by P. Vale, job LS-2500 (“as ordered”): supply S2 went from 1.35 A to "
        "1.83 A; limit 1.60 A"
    )
    as_read = shown(story, found)
    assert as_read["cause"] == "correction"
    assert as_read["change_set_ids"] == [102, 101]
    assert as_read["change"]["correction"]["actor"] == "P. Vale"
    assert as_read["change"]["change_set"]["actor"] == "R. Ondine"


def test_something_as_found_that_only_a_correction_brought_to_light(story: Story) -> None:
    story.on("2026-02-01", "P. Vale", "", kind="correction")
    story.rewrite("points", 26, speech_current_a=0.6)
    story.crossed_by = 101
    assert said(story.only()) == (
        "As found on the first day, 2024-05-01: supply S2 at 1.90 A; limit 1.60 A; known since the record "
        "was corrected on 2026-02-01 by P. Vale (“as ordered”)"
    )


def test_a_smaller_switch() -> None:
    story = Story()
    story.on("2024-05-01")
    switch = story.put("switches", budget_w=130.0)
    for number_ in range(6):
        port = story.put("ports", switch_index=switch, number=number_)
        story.put("endpoints", port_index=port)
    story.on("2025-03-14", "E. Sorrel", "")
    story.alter("switches", switch, budget_w=65.0)
    assert said(story.only([BUDGET]), "switch SW1", BUDGET) == (
        "Switch 1000 replaced, PoE budget lowered from 130 W to 65 W on 2025-03-14 by E. Sorrel: "
        "limit of switch SW1 lowered from 130 W to 65 W; figure 92.4 W"
    )


def test_a_power_supply_taken_out() -> None:
    story = Story()
    story.on("2024-05-01")
    switch = story.put(
        "switches", budget_w=370.0, budget_one_lost_w=185.0, power_supplies_max=2, power_supply_count=2
    )
    for number_ in range(7):
        port = story.put("ports", switch_index=switch, number=number_)
        story.put("endpoints", port_index=port, poe_class=4)
    story.on("2025-03-14", "E. Sorrel", "")
    story.alter("switches", switch, power_supply_count=1)
    assert said(story.only([BUDGET]), "switch SW1", BUDGET) == (
        "Number of power supplies of switch 1000 lowered from 2 to 1 on 2025-03-14 by E. Sorrel: "
        "limit of switch SW1 lowered from 370 W to 185 W; figure 210 W"
    )


def test_a_switch_whose_ports_deliver_less() -> None:
    story = Story()
    story.on("2024-05-01")
    switch = story.put("switches", port_type=2)
    story.put("endpoints", port_index=story.put("ports", switch_index=switch), poe_class=4)
    story.on("2025-03-14", "E. Sorrel", "")
    story.alter("switches", switch, port_type=1)
    assert said(story.only([PORT_TYPE]), "port 1 of SW1", PORT_TYPE) == (
        "Port type of switch 1000 lowered from 2 to 1 on 2025-03-14 by E. Sorrel: "
        "limit of port 1 of SW1 lowered from 30 W to 15.4 W; figure 30 W"
    )


def test_a_speaker_of_the_next_zone() -> None:
    story = Story()
    story.on("2024-05-01")
    run = story.fed_run(story.supply(), zone_id=1)
    story.speakers(run, 2, 0.05)
    story.on("2025-03-14")
    point = story.speakers(run, 1, 0.05)[0]
    story.rows["points"][-1]["zone_id"] = 2
    rule = Rule("other_zone", near_margin=0)
    assert story.rows["points"][-1]["point_index"] == point
    assert said(story.only([rule], day="2025-03-15"), "run R1", rule) == (
        "1 wall speaker added on 2025-03-14 by R. Ondine, job LS-2207: 1 device in another zone on run R1"
    )


def test_what_is_stored_holds_no_word_and_renders_the_same(story: Story) -> None:
    story.on("2025-03-14")
    story.speakers(0, 12, 0.04)
    found = story.only()
    stored = json.dumps(found.as_record())
    assert not [word for word in ("speaker", "Ondine", "LS-2207", "as ordered", "S2") if word in stored]
    as_read = shown(story, found)
    assert as_read["sentence"] == said(found)
    assert as_read["cause"] == "addition"
    change = as_read["change"]
    assert (change["before"], change["after"], change["limit"]) == (1.35, 1.83, 1.6)
    assert (change["day"], change["what"]) == ("2025-03-14", "12 wall speakers added")
    (made,) = change["changes"]
    assert (made["type"], made["count"], made["device_kind"]) == ("device_added", 12, "wall speaker")
    assert change["change_set"]["job_reference"] == "LS-2207"
    assert as_read["between"] is None
    assert as_read["baseline"] == {
        "day": "2024-05-01", "surveyed": False, "since": "first_day", "in_service": True, "figure": 1.35,
        "limit": 1.6,
    }  # fmt: skip


def test_a_stored_range_is_read_as_it_was(story: Story) -> None:
    for day, count in (("2025-01-10", 4), ("2025-03-14", 2)):
        story.on(day)
        story.speakers(0, count, 0.05, basis=Basis.MARKED)
    found = story.only()
    as_read = shown(story, found)
    assert as_read["sentence"] == said(found)
    assert [as_read["between"][end]["day"] for end in ("since", "until")] == ["2025-01-10", "2025-03-14"]
    moved = ChangeAtStep("run_supply", thing=Reference("run", 1), before=Reference("supply", 2), after=2.5)
    assert ChangeAtStep.of_record(json.loads(json.dumps(moved.as_record()))) == moved


def test_a_title_is_site_thing_figure_limit_in_80_characters() -> None:
    supply, polarity = limit_by_code("supply_current"), limit_by_code("polarity_reversed")
    assert (
        title("merrow-harbour", supply, "PS-1", Estimate(1.83, 1.6))
        == "merrow-harbour PS-1: 1.83 A, limit 1.60 A"
    )
    assert title("merrow-harbour", polarity, "block B1", Estimate(2.0, 0.0)) == (
        "merrow-harbour DC polarity reversed on 2 rows of block B1"
    )
    for limit in LIMITS:
        for subject in ("s" * 120, "output 12 of the gateway behind the ticket office, ground floor"):
            assert len(title("merrow-harbour-east", limit, subject, Estimate(123.4, 100.0))) <= 80


def test_of_many_changes_few_are_named() -> None:
    changes = [
        ChangeAtStep("device_added", 12, 2),
        ChangeAtStep("segment_pairs", 3, before=2.0, after=1.0),
        ChangeAtStep(
            "run_supply", thing=Reference("run", 1000), before=Reference("supply", 1000),
            after=Reference("supply", 1001),
        ),
        ChangeAtStep("device_removed", 1, 3),
    ]  # fmt: skip
    assert what_was_done(changes[:3], NAMES) == (
        "12 wall speakers added, pairs of 3 segments lowered from 2 to 1 and run R1 moved from supply S1 to "
        "supply S2"
    )
    assert what_was_done(changes, NAMES) == (
        "12 wall speakers added, pairs of 3 segments lowered from 2 to 1 and 2 more changes"
    )


@pytest.mark.parametrize("kind", sorted(CHANGE_TYPES))
def test_every_type_has_a_phrase_that_can_be_filled(kind: str) -> None:
    for before, after in ((None, None), (1.0, 2.0), (Reference("supply", 1000), None)):
        change = ChangeAtStep(kind, 2, 1, thing=Reference("run", 1000), before=before, after=after)
        text = what_was_done([change], NAMES)
        assert text
        assert "{" not in text
    fields = {name for _, name, _, _ in string.Formatter().parse(CHANGE_TYPES[kind].phrase) if name}
    assert fields <= {"device", "thing", "span", "way", "move", "old", "new", "count", "of"}


@pytest.mark.parametrize(
    ("before", "after", "span"),
    [
        (0, 1, "from speech to tones"),
        (None, 0, "from not recorded to speech"),
        (1, None, "from tones to not"),
    ],
)
def test_signals_are_named_by_their_words(before: int | None, after: int | None, span: str) -> None:
    was, now = (None if each is None else Reference("signal", each) for each in (before, after))
    changed = ChangeAtStep("zone_signal", thing=Reference("zone", 5), before=was, after=now)
    assert what_was_done([changed], {("zone", 5): "zone Quay"}).startswith(
        f"signal of zone Quay changed {span}"
    )


def test_a_model_in_place_of_an_unknown_one_names_its_kind() -> None:
    swapped = ChangeAtStep("device_swapped", 1, 3, before=Reference("kind", 2))
    assert what_was_done([swapped], NAMES) == "wall speaker replaced by 1 horn (model not recorded)"


@pytest.mark.parametrize(
    ("value", "unit", "apart_from", "text"),
    [
        (1.8349, "A", 1.6, "1.83 A"),
        (1.6000001, "A", 1.6, "1.6000001 A"),
        (17.94, "V", 18.0, "17.9 V"),
        (17.96, "V", 18.0, "17.96 V"),
        (-4.08, "dB", -6.0, "−4.1 dB"),
        (369.6, "W", 370.0, "369.6 W"),
        (60.0, "W", None, "60 W"),
        (41.0, "", 40.0, "41"),
        (-0.0, "dB", None, "0.0 dB"),
        (SUPPLY_CURRENT.near_fraction, "", None, "0.1"),
    ],
)
def test_numbers(value: float, unit: str, apart_from: float | None, text: str) -> None:
    assert amount(value, unit, apart_from=apart_from) == text


@pytest.mark.parametrize(
    ("type_", "words"),
    [
        ("endpoint_added", "3 endpoints added"),
        ("address_set", "network address of 3 endpoints recorded"),
        ("supply_added", "3 supplies installed"),
        ("switch_added", "3 switches installed"),
        ("run_added", "3 runs connected"),
        ("run_supply", "3 runs moved"),
        ("other_load_added", "other load connected to 3 ports"),
    ],
)
def test_things_that_are_taken_together_are_counted(type_: str, words: str) -> None:
    """A change of more than two things names no single thing: it read "not recorded added"."""
    assert what_was_done([ChangeAtStep(type_, 3.0)], {}) == words


def test_lengths_are_said_as_the_site_counts() -> None:
    """1 ft is 0.3048 m exactly: 7.9248 m are 26 ft, 11.8872 m 39 ft, 110 m 360.9 ft and 100 m 328.1 ft."""
    longer = ChangeAtStep("segment_length", 3.0, before=26 * 0.3048, after=39 * 0.3048)
    assert what_was_done([longer], {}) == "length of 3 segments raised from 7.9 m to 11.9 m"
    assert what_was_done([longer], {}, "ft") == "length of 3 segments raised from 26 ft to 39 ft"
    raised = ChangeAtStep("current_changed", 1.0, device_kind=3, before=0.5, after=0.7)
    assert what_was_done([raised], {}, "ft") == what_was_done([raised], {}), (
        "only lengths are counted in feet"
    )
    cable = limit_by_code("endpoint_cable")
    feet = cable.shown_in("ft")
    at_110 = Estimate(110.0, 100.0)
    assert cable.clause("endpoint G2", at_110) == "endpoint G2: 110 m, limit 100 m"
    assert feet.clause("endpoint G2", at_110) == "endpoint G2: 361 ft, limit 328 ft"
    assert feet.unit == "m", "figures beside the sentence stay in metres"
    assert limit_by_code("run_voltage").shown_in("ft").number(18.0) == "18.0 V"
