"""The registry of limits: complete against the core, sourced, and readable."""

from __future__ import annotations

import ast
import math
import re
from pathlib import Path

import pytest

from zones import electrical
from zones.electrical.estimates import Estimate, Estimates
from zones.electrical.self_amplified import FULL_OUTPUT
from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Verdict, judge
from zones.limits.cautions import Caution
from zones.limits.limit import NO_SOURCE, Limit, Remedy, Severity
from zones.limits.record import why_not_computed
from zones.limits.registry import LIMITS, RULES, limit_by_code

JUDGED = [limit for limit in LIMITS if limit.rule is not None]
NEVER_NEAR = {
    "port_type",
    "wiring_class",
    "no_feed",
    "other_zone",
    "row_used_twice",
    "supplies_paralleled",
    "polarity_reversed",
    "audio_reversed",
    "clip_out",
    "dc_on_audio",
    "audio_with_dc",
    "wire_gauge",
    "stranded_on_idc",
    "address_used_twice",
    "reading_disagrees",
    "voltage_disagrees",
    "in_service_unproven",
    "test_overdue",
}
NAN = math.nan


def codes_of_the_core() -> set[str]:
    """The first argument of every call by which a family of the core makes a block of figures, and what such
    a block is renamed to."""
    codes = set(FULL_OUTPUT.values())
    (folder,) = electrical.__path__
    for file in Path(folder).glob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call) or not node.args:
                continue
            name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            first = node.args[0]
            if name == "figures" and isinstance(first, ast.Constant):
                codes.add(str(first.value))
    return codes


def test_every_figure_of_the_core_has_a_limit_and_every_limit_a_figure() -> None:
    assert codes_of_the_core() == {limit.code for limit in JUDGED}


def test_codes_are_those_of_the_rules_and_unique() -> None:
    assert [limit.code for limit in JUDGED] == [rule.code for rule in RULES]
    assert len({limit.code for limit in LIMITS}) == len(LIMITS)
    assert all(re.fullmatch(r"[a-z0-9_]{1,40}", limit.code) for limit in LIMITS)


def at_one_place(
    low: float | None, likely: float | None, high: float | None, limit: float | None
) -> Estimates:
    """The estimates of one thing, which has one limit."""
    return Estimates(*(Estimate(value, limit) for value in (low, likely, high)))


@pytest.mark.parametrize("limit", LIMITS, ids=lambda limit: limit.code)
def test_each_says_where_it_comes_from(limit: Limit) -> None:
    named = re.search(r"IEEE|TIA|NEC|RFC|audio handbooks|data sheet|by definition", limit.source)
    assert named or NO_SOURCE in limit.source
    assert limit.title
    assert limit.limit_from
    assert limit.remedies
    assert limit.detail is not None or not re.search("{(at|to|of|first|which)}", limit.template)


@pytest.mark.parametrize("limit", JUDGED, ids=lambda limit: limit.code)
@pytest.mark.parametrize("place", ["", "P12"])
@pytest.mark.parametrize("values", [(1.0, 2.0, 3.0, 2.5), (0.0, 0.0, 0.0, 0.0), (None, None, None, None)])
def test_each_sentence_can_be_said(limit: Limit, place: str, values: tuple[float | None, ...]) -> None:
    low, likely, high, most = values
    said = limit.sentence(
        subject="run R1", estimates=at_one_place(low, likely, high, most), places=(place, place, place)
    )
    assert "run R1" in said or said.startswith("Run R1")
    assert said.endswith(".")
    assert not re.search(r"[{}]|None|nan|inf|  |−0\b", said)
    assert limit.quantity


def test_a_sentence_tells_figure_band_limit_and_place() -> None:
    voltage = limit_by_code("run_voltage")
    assert voltage.sentence(
        subject="run R3", estimates=at_one_place(18.24, 17.5, 16.9, 18.0), places=("P12 (gangway)",) * 3
    ) == (
        "Run R3 delivers 17.5 V (16.9 V to 18.2 V) to the speaker at P12 (gangway) during a page; minimum "
        "18.0 V."
    )
    current = limit_by_code("supply_current")
    assert current.sentence(subject="supply PS 1", estimates=at_one_place(1.83, 1.83, 1.83, None)) == (
        "Supply PS 1 delivers 1.83 A during a page; limit not recorded: rating missing."
    )


def test_an_infeasible_run_is_not_said_to_have_a_voltage() -> None:
    voltage = limit_by_code("run_voltage")
    none = Estimate(None, 18.0, overloaded=True)
    assert voltage.estimate_text(none) == "no stable voltage: overloaded"
    assert voltage.sentence(subject="run R3", estimates=Estimates(none, none, none)) == (
        "Run R3 has no stable voltage during a page: overloaded; minimum 18.0 V."
    )


def test_an_estimate_that_is_decided_elsewhere_is_said_with_its_own_place_and_limit() -> None:
    voltage = limit_by_code("run_voltage")
    here, there = Estimate(19.04, 18.0, 3), Estimate(15.9, 16.0, 7)
    said = voltage.sentence(
        subject="run R3", estimates=Estimates(here, here, there), places=("P3", "P3", "P7")
    )
    assert said == (
        "Run R3 delivers 19.0 V to the speaker at P3 during a page; minimum 18.0 V; "
        "high estimate 15.9 V at P7, minimum 16.0 V."
    )
    collapsed = Estimate(None, 16.0, overloaded=True)
    said = voltage.sentence(
        subject="run R3", estimates=Estimates(here, here, collapsed), places=("P3", "P3", "")
    )
    assert said.endswith("; minimum 18.0 V; high estimate: no stable voltage: overloaded.")


def test_a_figure_that_may_be_harsher_is_said_to_be_a_bound() -> None:
    certain, least = Estimate(1.2, 1.6), Estimate(1.25, 1.6, bound=True)
    current = limit_by_code("supply_current")
    assert current.sentence(subject="supply PS 1", estimates=Estimates(certain, least, least)) == (
        "Supply PS 1 delivers at least 1.25 A during a page; limit 1.60 A."
    )
    assert current.sentence(subject="supply PS 1", estimates=Estimates(certain, certain, least)) == (
        "Supply PS 1 delivers 1.20 A (1.20 A to 1.25 A) during a page; limit 1.60 A; "
        "high estimate at least 1.25 A, limit 1.60 A."
    )
    voltage = limit_by_code("run_voltage")
    assert voltage.estimate_text(Estimate(18.3, 18.0, bound=True)) == "at most 18.3 V"


@pytest.mark.parametrize(
    ("code", "figure", "limit", "headroom"),
    [
        ("supply_current", 1.2, 1.6, 0.25),
        ("run_voltage", 17.1, 18.0, -0.05),
        ("audio_level", -1.5, 0.0, -0.25),  # (−1.5 − 0) / 6
        ("audio_level", -1.5, -6.0, 0.75),  # (−1.5 + 6) / 6
        ("line_loss", 1.5, 3.0, 0.25),  # (3 − 1.5) / 6
        ("row_used_twice", 2.0, 1.0, None),
        ("port_type", 30.0, 30.0, None),
    ],
)
def test_headroom_is_a_share_of_the_limit_and_of_6_db_in_db(
    code: str, figure: float, limit: float, headroom: float | None
) -> None:
    assert limit_by_code(code).headroom(figure, limit) == pytest.approx(headroom)


@pytest.mark.parametrize(
    ("code", "figure", "place", "sentence"),
    [
        ("output_speakers", 41.0, "", "Block B1 drives 41 speakers; limit 40."),
        ("row_used_twice", 2.0, "row 5", "Block B1 has 2 conductors on one side of row 5; 1 allowed."),
        (
            "polarity_reversed",
            2.0,
            "row 1",
            "Block B1: DC polarity reversed on 2 rows, first row 1. The ",
        ),
        (
            "polarity_reversed",
            1.0,
            "row 1",
            "Block B1: DC polarity reversed on 1 row, first row 1. The ",
        ),
        (
            "audio_reversed",
            1.0,
            "row 1",
            "Block B1: audio or line polarity reversed on 1 row",
        ),
        ("other_zone", 1.0, "P4", "Block B1 has 1 device in another zone, first P4."),
        (
            "no_feed",
            8.0,
            "P5",
            "Block B1 has 8 speakers that no supply feeds, first P5: the negative before is cut.",
        ),
        (
            "supply_over_voltage",
            28.35,
            "P5",
            "Block B1 delivers up to 28.4 V; limit 28.0 V by the speaker at P5.",
        ),
        ("supplies_paralleled", 2.0, "P5", "Block B1 has 2 feeds on one section, first P5; 1 allowed."),
        ("address_used_twice", 2.0, "", "2 endpoints share the network address of block B1; 1 allowed."),
        ("wire_gauge", 2.0, "", "The cable of block B1 is 2 AWG outside its block's wire range."),
        ("poe_allocated", 385.0, "", "Block B1 has allocated 385 W; limit 370 W."),
        (
            "port_type",
            30.0,
            "",
            "What is connected to block B1 needs 30 W; by port type, limit 15.4 W.",
        ),
        ("reading_disagrees", 0.0163, "", "Block B1: a reading is 0.016 A outside the computed range."),
        (
            "voltage_disagrees",
            1.2,
            "reading of 2026-03-02",
            "Block B1: reading of 2026-03-02 is 1.20 V outside",
        ),
        ("audio_level", -7.25, "P9", "Block B1 delivers −7.2 dB to the speaker at P9; minimum −6.0 dB."),
        ("line_loss", 3.2, "P9", "Block B1 loses 3.20 dB in the cable to the speaker at P9; limit 3.00 dB."),
    ],
)
def test_sentences_are_plain_and_counts_inflect(code: str, figure: float, place: str, sentence: str) -> None:
    limits = {
        "output_speakers": 40.0,
        "supplies_paralleled": 1.0,
        "supply_over_voltage": 28.0,
        "row_used_twice": 1.0,
        "address_used_twice": 1.0,
        "audio_level": -6.0,
    }
    limits |= {"poe_allocated": 370.0, "port_type": 15.4, "line_loss": 3.0}
    said = limit_by_code(code).sentence(
        subject="block B1",
        estimates=at_one_place(figure, figure, figure, limits.get(code, 0.0)),
        places=(place, place, place),
    )
    assert said.startswith(sentence)


def test_a_figure_that_is_not_recorded_is_said_to_be_so() -> None:
    said = limit_by_code("audio_level").sentence(
        subject="output 1 of GW 1", estimates=at_one_place(None, None, None, -6.0)
    )
    assert said == "Audio level, output 1 of GW 1: not recorded; minimum −6.0 dB."


@pytest.mark.parametrize(
    ("code", "figure", "verdict"),
    [
        ("line_loss", 0.99, Verdict.WITHIN),
        ("line_loss", 1.01, Verdict.NEAR),  # near at 1 dB, over at 3 dB: common practice, no source
        ("line_loss", 3.01, Verdict.PAST),
        ("audio_level", -2.99, Verdict.WITHIN),
        ("audio_level", -3.01, Verdict.NEAR),  # near at −3 dB, over at −6 dB: common practice, no source
        ("audio_level", -6.01, Verdict.PAST),
        ("supply_current", 1.43, Verdict.WITHIN),
        ("supply_current", 1.45, Verdict.NEAR),  # headroom under 10 %
        ("supply_current", 1.60, Verdict.NEAR),  # at the limit is not past it
        ("supply_current", 1.61, Verdict.PAST),
        ("run_voltage", 19.9, Verdict.WITHIN),
        ("run_voltage", 19.7, Verdict.NEAR),
        ("run_voltage", 17.9, Verdict.PAST),
        ("line_impedance", 3.9, Verdict.PAST),
        ("line_impedance", 4.2, Verdict.NEAR),
        ("poe_allocated", 369.6, Verdict.NEAR),  # 24 ports of class 3 in 370 W: IEEE 802.3
        ("poe_allocated", 385.0, Verdict.PAST),  # a 25th does not fit
        ("wiring_class", 0.0, Verdict.WITHIN),
        ("wiring_class", 1.0, Verdict.PAST),
        ("row_used_twice", 1.0, Verdict.WITHIN),
        ("row_used_twice", 2.0, Verdict.PAST),
        ("polarity_reversed", 0.0, Verdict.WITHIN),
        ("polarity_reversed", 1.0, Verdict.PAST),
        ("audio_with_dc", 0.0, Verdict.WITHIN),
        ("audio_with_dc", 1.0, Verdict.NEAR),  # advice: never worse
        ("supply_current_full_output", 1.43, Verdict.WITHIN),
        ("supply_current_full_output", 1.45, Verdict.NEAR),
        ("supply_current_full_output", 2.70, Verdict.NEAR),
    ],
)
def test_when_each_rule_is_near_or_past(code: str, figure: float, verdict: Verdict) -> None:
    limits = {
        "line_loss": 3.0,
        "audio_level": -6.0,
        "supply_current": 1.6,
        "supply_current_full_output": 1.6,
        "run_voltage": 18.0,
        "line_impedance": 4.0,
        "poe_allocated": 370.0,
        "wiring_class": 0.0,
        "row_used_twice": 1.0,
        "polarity_reversed": 0.0,
        "audio_with_dc": 0.0,
    }
    rule = limit_by_code(code).rule
    assert rule is not None
    assert judge([figure], [figure], [figure], [limits[code]], rule).tolist() == [verdict]


@pytest.mark.parametrize("limit", JUDGED, ids=lambda limit: limit.code)
def test_what_is_counted_is_never_near(limit: Limit) -> None:
    expected = "advice: near, never past" if limit.is_advice else "never near: past or not"
    assert (limit.near_rule == expected) == (limit.code in NEVER_NEAR | set(FULL_OUTPUT.values()))


def test_near_rules_as_a_person_reads_them() -> None:
    assert limit_by_code("supply_current").near_rule == "near under 10 % headroom"
    assert limit_by_code("audio_level").near_rule == "near within 3.0 dB of the limit"


def test_what_cannot_be_computed_is_judged_by_no_rule() -> None:
    limit = limit_by_code("cannot_compute")
    assert limit.rule is None
    assert limit.subject_kind is None
    assert not limit.is_advice


def test_only_advice_is_of_the_least_severity() -> None:
    advice = {"audio_with_dc", *FULL_OUTPUT.values()}
    assert {limit.code for limit in LIMITS if limit.is_advice} == advice
    assert {limit.code for limit in LIMITS if limit.severity is Severity.ADVICE} == advice
    assert Severity.HAZARD > Severity.SILENCE > Severity.SOUND_SUFFERS
    assert all(severity.words for severity in Severity)


def test_full_output_where_no_signal_is_recorded_opens_no_finding_and_has_no_headroom() -> None:
    assert {limit.code for limit in LIMITS if not limit.opens_findings} == set(FULL_OUTPUT.values())
    limit = limit_by_code("supply_current_full_output")
    assert limit.headroom(2.7, 1.6) is None
    assert limit.sentence(subject="supply PS 1", estimates=at_one_place(2.7, 2.7, 2.7, 1.6)) == (
        "Supply PS 1 delivers 2.70 A during chimes or tones; limit 1.60 A."
    )


def test_lines_warn_of_shock_and_class_2_of_local_code() -> None:
    on_lines = [limit for limit in LIMITS if limit.code.startswith(("amplifier_", "line_"))]
    assert all(Caution.LINE_VOLTAGE in limit.cautions for limit in on_lines)
    assert Caution.LOCAL_CODE in limit_by_code("wiring_class").cautions
    assert all(caution.text.endswith(".") for caution in Caution)


def test_every_kind_of_remedy_is_offered_by_some_limit() -> None:
    assert {remedy for limit in LIMITS for remedy in limit.remedies} == set(Remedy)


def test_all_kinds_of_subject_that_figures_are_about_are_judged() -> None:
    kinds = {limit.subject_kind for limit in JUDGED} - {None}  # wiring_class: supplies and amplifiers
    assert kinds == set(SubjectKind) - {SubjectKind.SITE}


def test_a_code_that_is_none_is_refused_with_what_may_have_been_meant() -> None:
    with pytest.raises(KeyError, match="there is no limit supply_curent; did you mean supply_current"):
        limit_by_code("supply_curent")


def test_the_registry_says_where_a_default_has_no_source() -> None:
    assert NO_SOURCE not in limit_by_code("port_power").source
    assert NO_SOURCE in limit_by_code("line_loss").source


def test_a_count_of_faults_at_its_limit_is_in_order() -> None:
    of = limit_by_code("clip_out")
    assert of.clause("block B1", Estimate(0.0, 0.0)) == "no clip out on block B1"
    assert of.clause("block B1", Estimate(1.0, 0.0)).startswith("clip out")


def test_a_wiring_class_that_cannot_be_told_says_what_is_not_recorded() -> None:
    """The figure is of runs that are surely wrong: none of these is."""
    limit = limit_by_code("wiring_class")
    asked = limit.sentence(subject="amplifier AMP-1", estimates=at_one_place(0.0, 0.0, 1.0, 0.0))
    assert asked == (
        "Amplifier AMP-1 feeds 1 run; whether its class allows the cable is open: its marking (read the "
        "label) or the listing of the cable is not recorded, or the NEC does not govern the site."
    )
    past = limit.sentence(subject="amplifier AMP-1", estimates=at_one_place(2.0, 2.0, 3.0, 0.0))
    assert past == (
        "Amplifier AMP-1 feeds 2 runs (2 to 3) in communications or Class 2 cable and does not have the "
        "marking that such cable needs: Class 2 or limited power source."
    )


def test_why_something_could_not_be_computed_is_said_in_words_even_of_a_release_before() -> None:
    said = why_not_computed(["fed_twice", "parent_missing"])
    assert "two supplies feed the same section" in said
    assert "_" not in said
