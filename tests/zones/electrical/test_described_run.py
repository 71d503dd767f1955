"""Reading a described run: accepted input, and the problems of other input."""

import json
import re
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from zones.electrical.bad_input import SHOWN_AT_MOST, BadInputError
from zones.electrical.conductors import loop_resistance_ohm
from zones.electrical.described_run import answer, describe
from zones.electrical.json_text import read


def good() -> dict[str, Any]:
    return {
        "source": {"voltage_v": 24, "tolerance": 0.05, "internal_resistance_ohm": 0.5},
        "temperature_c": 40,
        "points": [
            {"id": "p1", "parent": None, "length_m": 10, "awg": 24, "load": {"current_a": 0.05}},
            {
                "id": "p2",
                "parent": "p1",
                "length_m": 5,
                "awg": 24,
                "parallel_pairs": 2,
                "load": {"power_w": 1, "resistance_ohm": 1000},
            },
            {"id": "splice", "parent": "p1", "loop_resistance_ohm": 1.5},
        ],
    }


def problems_of(document: object) -> dict[str, str]:
    """Detail of each problem by its path."""
    with pytest.raises(BadInputError) as refusal:
        describe(document)
    return {problem.path: problem.detail for problem in refusal.value.problems}


# --- accepted -----------------------------------------------------------------------------------------------


def test_a_good_description_becomes_arrays() -> None:
    run = describe(good())
    assert run.point_ids == ("p1", "p2", "splice")
    assert run.parent.tolist() == [-1, 0, 0]
    assert run.source_voltage_v == pytest.approx(24 * 0.95)
    assert run.source_resistance_ohm == 0.5
    assert run.segment_resistance_ohm == pytest.approx(
        [
            float(loop_resistance_ohm(24, 10, temperature_c=40)),
            float(loop_resistance_ohm(24, 5, parallel_pairs=2, temperature_c=40)),
            1.5,  # as it is, whatever the temperature
        ]
    )
    assert run.current_a.tolist() == [0.05, 0.0, 0.0]
    assert run.power_w.tolist() == [0.0, 1.0, 0.0]
    assert run.conductance_s == pytest.approx([0.0, 0.001, 0.0])


def test_a_missing_optional_value_has_its_default() -> None:
    run = describe(
        {"source": {"voltage_v": 24}, "points": [{"id": "a", "parent": None, "length_m": 10, "awg": 24}]}
    )
    assert run.source_voltage_v == 24.0
    assert run.source_resistance_ohm == 0.0
    assert run.segment_resistance_ohm[0] == pytest.approx(float(loop_resistance_ohm(24, 10)))


def test_children_may_come_before_their_parents() -> None:
    document = good()
    document["points"].reverse()
    run = describe(document)
    straight = describe(good()).solve().voltage_v
    assert run.solve().voltage_v == pytest.approx(straight[::-1], rel=1e-12)


def test_a_segment_of_zero_length_is_accepted() -> None:
    run = describe(with_value("points[1].length_m", 0))
    found = run.solve()
    assert found.voltage_v[1] == found.voltage_v[0]


def test_the_answer_to_a_feasible_run() -> None:
    run = describe(good())
    solution = run.solve()
    said = answer(run, solution)
    assert said == {
        "feasible": True,
        "source_current_a": solution.source_current_a[0],
        "points": [
            {"id": point, "voltage_v": solution.voltage_v[k], "current_a": solution.load_current_a[k]}
            for k, point in enumerate(("p1", "p2", "splice"))
        ],
        "lowest": {"id": "p2", "voltage_v": solution.voltage_v[1]},
    }
    assert json.loads(json.dumps(said, allow_nan=False)) == said


@pytest.mark.parametrize(
    ("load", "reason"),
    [({"power_w": 1e4}, "no_stable_solution"), ({"current_a": 1e4}, "voltage_not_above_zero")],
)
def test_the_answer_to_an_infeasible_run_says_why(load: dict[str, float], reason: str) -> None:
    run = describe(with_value("points[0].load", load))
    said = answer(run, run.solve())
    assert said["feasible"] is False
    assert said["reason"] == reason
    assert str(said["detail"]).endswith("or a higher voltage is needed.")
    assert said.keys() == {"feasible", "reason", "detail"}


# --- refused ------------------------------------------------------------------------------------------------

NAN, INFINITY, REMOVED = float("nan"), float("inf"), object()


def with_value(path: str, value: object) -> dict[str, Any]:
    """A good document with a value put at a path such as ``points[0].load.current_a``, or removed there."""
    document = good()
    *steps, last = [int(step) if step.isdigit() else step for step in re.findall(r"[^.\[\]]+", path)]
    holder: Any = document
    for step in steps:
        holder = holder[step]
    if value is REMOVED:
        del holder[last]
    else:
        holder[last] = value
    return document


@pytest.mark.parametrize(
    ("path", "value", "said"),
    [
        ("points[0].parent", "p2", 'closes a cycle of 2: "p1" -> "p2" -> "p1"'),
        ("points[0].parent", "p1", 'closes a cycle of 1: "p1" -> "p1"'),
        (
            "points[1].parent",
            "splcie",
            'no point has the id "splcie" (did you mean "splice"?): expected the id',
        ),
        ("points[2].parent", 1, "is 1: expected the id of another point, or null where the segment starts"),
        ("points[2].parent", REMOVED, "missing: expected the id of another point, or null"),
        ("points[2].id", "p1", '"p1" is the id of points[0] too'),
        ("points[2].id", 7, "is 7: expected 1 to 200 printable characters"),
        ("points[2].id", "", 'is "": expected'),
        ("points[2].id", "x" * 201, "expected 1 to 200 printable characters"),
        ("points[2].id", "a\nb", r'is "a\nb": expected'),
        ("points[2].id", "\ud800", r"\ud800"),
        ("points[2].id", REMOVED, "missing: expected 1 to 200"),
        ("points[0].length_m", -1, "is -1: expected metres from 0"),
        ("points[0].length_m", NAN, "is NaN: expected metres"),
        ("points[0].length_m", INFINITY, "is too large a number: expected metres"),
        ("points[0].length_m", -INFINITY, "is -Infinity: expected metres"),
        ("points[0].length_m", True, "is true: expected a number, metres"),
        ("points[0].length_m", "10", 'is "10": expected a number, metres'),
        ("points[0].length_m", None, "is null: expected a number, metres"),
        ("points[0].length_m", REMOVED, "missing: expected metres"),
        ("points[0].awg", REMOVED, "missing: expected a whole gauge number"),
        ("points[0].awg", 99, "is 99: expected a whole gauge number from 0 to 40"),
        ("points[0].awg", 24.5, "is 24.5: expected a whole gauge number"),
        ("points[0].parallel_pairs", 0, "is 0: expected a whole number of pairs"),
        ("points[0].load", None, "is null: expected an object such as"),
        ("points[0].load", [], "is a list: expected an object such as"),
        ("points[0].load.current_a", -1, "is -1: expected amperes from 0"),
        ("points[0].load.power_w", False, "is false: expected a number, watts"),
        ("points[0].load.resistance_ohm", 0, "is 0: expected ohms above 0"),
        ("points[0].load.current", 1, "unknown key, and no unit: did you mean current_a?"),
        ("points[0].current_a", 1, "does not belong here but in load"),
        ("points[0].colour", "red", "unknown key: expected id, parent"),
        ("points[2]", 5, "is 5: expected an object with id, parent and a length"),
        ("points", [], "holds 0 points: expected 1 to 100000"),
        ("points", [{}] * 100_001, "holds 100001 points: expected 1 to 100000"),
        ("points", {}, "is an object: expected a list of points"),
        ("points", REMOVED, "missing: expected a list of points"),
        ("source", REMOVED, "missing: expected an object with voltage_v"),
        ("source", 24, "is 24: expected an object with voltage_v"),
        ("source.voltage_v", REMOVED, "missing: expected volts above 0"),
        ("source.voltage_v", 0, "is 0: expected volts above 0"),
        ("source.tolerance", 1, "is 1: expected a fraction from 0 to below 1"),
        ("source.tolerance", -0.1, "is -0.1: expected a fraction"),
        ("source.internal_resistance_ohm", -1, "is -1: expected ohms from 0"),
        ("temperature_c", -274, "is -274: expected degrees Celsius from -80"),
        ("temperature", 20, "no unit: did you mean temperature_c?"),
        ("tolerance", 0.1, "does not belong here but in source"),
    ],
)
def test_one_mistake_is_reported_as_one_problem(path: str, value: object, said: str) -> None:
    problems = problems_of(with_value(path, value))
    assert list(problems) == [path]
    assert said in problems[path]


@pytest.mark.parametrize(
    ("segment", "said"),
    [
        ({}, "expected length_m and awg, or loop_resistance_ohm"),
        ({"loop_resistance_ohm": 1, "length_m": 1, "awg": 24}, "length_m is given too: expected one or"),
        ({"loop_resistance_ohm": 1, "awg": 24}, "awg is given too: expected one or the other"),
        ({"loop_resistance_ohm": 1, "parallel_pairs": 2}, "parallel_pairs is given too: expected one or"),
    ],
)
def test_a_segment_has_one_statement_of_its_resistance(segment: dict[str, float], said: str) -> None:
    problems = problems_of(with_value("points[2]", {"id": "splice", "parent": "p1", **segment}))
    assert list(problems) == ["points[2]"]
    assert said in problems["points[2]"]


@pytest.mark.parametrize("key", ["length", "length_ft", "lenght_m"])
def test_a_misspelt_key_is_one_problem_with_the_right_key(key: str) -> None:
    document = good()
    document["points"][0][key] = document["points"][0].pop("length_m")
    problems = problems_of(document)
    assert list(problems) == [f"points[0].{key}"]
    assert "did you mean length_m" in problems[f"points[0].{key}"]


@pytest.mark.parametrize(("document", "shown"), [([], "a list"), (None, "null"), ("run", '"run"'), (3, "3")])
def test_a_document_that_is_not_an_object_is_refused(document: object, shown: str) -> None:
    assert problems_of(document) == {"document": f"is {shown}: expected an object with source and points"}


def test_all_problems_are_reported_in_the_order_of_the_document() -> None:
    document = good()
    document["source"]["voltage_v"] = "24"
    document["points"][2]["loop_resistance_ohm"] = -1
    document["points"][1]["parent"] = "nowhere"
    document["points"][0]["load"] = {"current": 1}
    assert list(problems_of(document)) == [
        "points[0].load.current",
        "points[1].parent",
        "points[2].loop_resistance_ohm",
        "source.voltage_v",
    ]


def test_two_cycles_are_both_named() -> None:
    points = [
        {"id": name, "parent": parent, "length_m": 1, "awg": 24}
        for name, parent in {"a": "b", "b": "a", "c": "d", "d": "e", "e": "c", "f": "c", "g": None}.items()
    ]
    problems = problems_of({"source": {"voltage_v": 24}, "points": points})
    assert list(problems) == ["points[0].parent", "points[2].parent"]
    assert 'cycle of 2: "a" -> "b" -> "a": expected a way' in problems["points[0].parent"]
    assert 'cycle of 3: "c" -> "d" -> "e" -> "c": expected a way' in problems["points[2].parent"]


def test_problems_beyond_the_limit_are_counted() -> None:
    document = good()
    document["points"] = [{"id": f"p{k}", "parent": None, "length_m": -1, "awg": 24} for k in range(1000)]
    with pytest.raises(BadInputError) as refusal:
        describe(document)
    assert len(refusal.value.problems) == SHOWN_AT_MOST
    assert refusal.value.not_shown == 1000 - SHOWN_AT_MOST
    assert str(refusal.value).endswith("and 980 more")


def test_a_problem_has_a_pointer_for_programs() -> None:
    with pytest.raises(BadInputError) as refusal:
        describe(with_value("points[1].a/b~c", 1))
    assert [problem.pointer for problem in refusal.value.problems] == ["/points/1/a~1b~0c"]
    assert [problem.code for problem in refusal.value.problems] == ["unknown_key"]


_values = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["id", "parent", "load", "points", "awg", "x"]), inner, max_size=4)
    ),
    max_leaves=8,
)
_places = st.sampled_from(
    [
        "source",
        "points",
        "temperature_c",
        "source.voltage_v",
        "points[0]",
        "points[1].id",
        "points[1].parent",
        "points[1].length_m",
        "points[1].parallel_pairs",
        "points[1].load",
        "points[1].load.resistance_ohm",
        "points[2].loop_resistance_ohm",
    ]
)


@given(_places, _values)
def test_any_value_anywhere_is_computed_or_refused(path: str, value: object) -> None:
    said = ""
    try:
        run = describe(with_value(path, value))
    except BadInputError as refusal:
        said = str(refusal)
    else:
        said = json.dumps(answer(run, run.solve()), allow_nan=False)
    assert said.encode("utf-8"), "printable anywhere"


# --- text ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (b'{"source": {\n"voltage_v" 24}}', "not JSON: line 2, column 13: expecting ':' delimiter"),
        (b"", "nothing in it: expected a JSON object"),
        (b" \n", "nothing in it: expected a JSON object"),
        (b'{"a": 1} {}', "not JSON: line 1, column 10: extra data"),
        (b'{\n"id": "\xff"}', "not UTF-8: byte 10, in line 2, is 0xff"),
        (b'"' + "é".encode("latin-1") + b'"', "not UTF-8: byte 2, in line 1, is 0xe9"),
        (b"[" * 200_000, "nested too deeply"),
        (b'{"a":' * 200_000, "nested too deeply"),
    ],
)
def test_text_that_is_not_json_is_refused_with_its_position(text: bytes, said: str) -> None:
    with pytest.raises(BadInputError) as refusal:
        read(text)
    assert [problem.path for problem in refusal.value.problems] == ["document"]
    assert said in refusal.value.problems[0].detail


def test_too_long_a_text_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("zones.electrical.json_text.LARGEST_TEXT_BYTES", 1024**2)
    with pytest.raises(BadInputError, match="expected at most 1 MiB"):
        read(b" " * (1024**2 + 1))


@pytest.mark.parametrize("number", ["NaN", "1e999", "-1e999", "Infinity", "9" * 5000, "9" * 400])
def test_non_finite_numbers_are_reported_with_their_location(number: str) -> None:
    text = json.dumps(good()).replace('"length_m": 10', f'"length_m": {number}')
    assert list(problems_of(read(text.encode()))) == ["points[0].length_m"]


def test_repeated_keys_are_reported_with_their_location() -> None:
    text = json.dumps(good())
    text = text.replace('"voltage_v": 24', '"voltage_v": 24, "voltage_v": 48')
    text = text.replace('"current_a": 0.05', '"current_a": 0.05, "current_a": 0.06')
    text = text.replace(
        '"temperature_c": 40', '"temperature_c": 40, "temperature_c": 40, "temperature_c": 40'
    )
    problems = problems_of(read(text.encode()))
    assert set(problems) == {"source.voltage_v", "points[0].load.current_a", "temperature_c"}
    assert set(problems.values()) == {"occurs more than once: expected once"}


def test_a_byte_order_mark_is_skipped() -> None:
    assert read(b"\xef\xbb\xbf{}") == {}
