"""A described run in, voltages out: the same numbers and the same refusals as from the command."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from sites.models.access import User
from tests.api.conftest import Caller
from tests.api.v1.asking import post

ADDRESS = "calculations/run"


@pytest.fixture
def client(reader: User, with_token: Caller) -> Client:
    return with_token(reader)


def chain(count: int, **load: float) -> dict[str, Any]:
    """Points 10 m apart on one pair of 24 AWG, each with a load."""
    points = [
        {"id": f"p{n}", "parent": f"p{n - 1}" if n > 1 else None, "length_m": 10, "awg": 24, "load": load}
        for n in range(1, count + 1)
    ]
    return {"source": {"voltage_v": 24}, "points": points}


def test_ten_loads_of_constant_current(client: Client) -> None:
    # circuit simulation (ngspice) and a sparse solve (SciPy): 23.157849 … 19.368171 V; 0.5 A
    found = post(client, ADDRESS, chain(10, current_a=0.05), status=200).json()
    assert found["feasible"]
    assert found["source_current_a"] == pytest.approx(0.5, rel=1e-6)
    assert found["points"][0]["voltage_v"] == pytest.approx(23.157849, rel=1e-6)
    assert found["lowest"] == {"id": "p10", "voltage_v": pytest.approx(19.368171, rel=1e-6)}
    assert found["caution"].startswith("Local code")


def test_a_tree_in_any_order_with_stated_resistances(client: Client) -> None:
    # loads of 5, 6, 2 W; 24 V; R01=2, R12=3, R13=4 Ω: ngspice and SciPy
    run = {
        "source": {"voltage_v": 24},
        "points": [
            {"id": "p3", "parent": "p1", "loop_resistance_ohm": 4, "load": {"power_w": 2}},
            {"id": "p1", "parent": None, "loop_resistance_ohm": 2, "load": {"power_w": 5}},
            {"id": "p2", "parent": "p1", "loop_resistance_ohm": 3, "load": {"power_w": 6}},
        ],
    }
    found = post(client, ADDRESS, run, status=200).json()
    volts = {point["id"]: point["voltage_v"] for point in found["points"]}
    assert volts == pytest.approx({"p1": 22.839341, "p2": 22.021975, "p3": 22.483525}, rel=1e-6)


def test_a_run_without_a_solution_says_why(client: Client) -> None:
    # none above 14.4 W: maximum power transfer of 24 V behind 10 Ω
    run = {
        "source": {"voltage_v": 24},
        "points": [{"id": "a", "parent": None, "loop_resistance_ohm": 10, "load": {"power_w": 14.5}}],
    }
    found = post(client, ADDRESS, run, status=200).json()
    assert (found["feasible"], found["reason"]) == (False, "no_stable_solution")
    assert "Less load" in found["detail"]
    assert "points" not in found


@pytest.mark.parametrize(
    ("change", "pointer", "stated"),
    [
        ({"length": 10}, "/points/0/length", "did you mean length_m?"),
        ({"length_m": None}, "/points/0/length_m", "expected a number, metres"),
        ({"length_m": -1}, "/points/0/length_m", "metres from 0"),
        ({"awg": 24.5}, "/points/0/awg", "whole gauge number"),
        ({"parent": "p7"}, "/points/0/parent", 'no point has the id "p7"'),
        ({"load": {"watts": 3}}, "/points/0/load/watts", "expected current_a, power_w, resistance_ohm"),
        ({"load": {"resistance_ohm": 0}}, "/points/0/load/resistance_ohm", "ohms above 0"),
    ],
)
def test_bad_input_is_named_by_pointer(
    client: Client, change: dict[str, Any], pointer: str, stated: str
) -> None:
    run = chain(1, current_a=0.05)
    run["points"][0] |= change
    answer = post(client, ADDRESS, run, status=400)
    errors = {error["pointer"]: error["detail"] for error in answer.json()["errors"]}
    assert stated in errors[pointer]


def test_everything_wrong_is_named_at_once(client: Client) -> None:
    answer = post(client, ADDRESS, {"sauce": {}, "points": [{"id": "a"}]}, status=400).json()
    assert {error["pointer"] for error in answer["errors"]} >= {"/sauce", "/points/0/parent", "/points/0"}
    many = {"source": {"voltage_v": 24}, "points": [{"id": str(n)} for n in range(100)]}
    answer = post(client, ADDRESS, many, status=400).json()
    assert (len(answer["errors"]), "more" in answer["detail"]) == (20, True)
    # 100 points, each without a parent and without a length
    assert answer["more_errors"] == 200 - 20


def test_a_question_takes_no_stop(client: Client) -> None:
    run = chain(1, current_a=0.05)
    run["points"][0]["length"] = run["points"][0].pop("length_m")
    answer = post(client, ADDRESS, run, status=400).json()
    details = [answer["detail"], *(error["detail"] for error in answer["errors"])]
    assert any("did you mean length_m?" in detail for detail in details)
    assert not any("?." in detail or ".." in detail for detail in details)


@pytest.mark.parametrize("body", [b"[]", b"3", b'"x"', b"null"])
def test_what_is_no_object_is_refused(client: Client, body: bytes) -> None:
    answer = client.post(f"/api/v1/{ADDRESS}", body, content_type="application/json")
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["pointer"] == ""


def test_it_reads_and_writes_nothing_of_the_record(client: Client) -> None:
    post(client, ADDRESS, chain(2, current_a=0.05), status=200)
    with CaptureQueriesContext(connection) as queries:
        post(client, ADDRESS, chain(2, current_a=0.05), status=200)
    tables = [query["sql"] for query in queries if "point" in query["sql"] or "change" in query["sql"]]
    assert tables == []


def test_an_anonymous_caller_may_not_ask(anonymous: Client) -> None:
    answer = anonymous.post(f"/api/v1/{ADDRESS}", {}, content_type="application/json")
    assert answer.status_code == 401
