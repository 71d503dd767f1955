"""`manage.py bench` prints one JSON line a case, and says what is missing. How fast anything is, no test
asks."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.core.management import CommandError, call_command

from api.management.commands.bench import Command
from tests.api.permission_table import TABLE
from tests.bench import asking, in_turns, one_change, routes
from tests.bench.lines import line

SITES = 10
KEYS = {
    "bench", "case", "ours_s", "theirs_s", "ratio", "goal", "met", "sizes", "peak_rss_mb",
}  # fmt: skip


def test_each_case_is_a_line_of_json() -> None:
    done = subprocess.run(
        [sys.executable, "manage.py", "bench", "solver", "--sites", "10"],
        cwd=settings.BASE_DIR, check=True, capture_output=True, text=True,
    )  # fmt: skip
    lines = [json.loads(each) for each in done.stdout.splitlines()]
    assert [each["case"] for each in lines] == ["sweep", "collapse", "scipy"]
    for each in lines:
        assert set(each) == KEYS
        assert each["sizes"]["sites"] == 10


@pytest.mark.slow
def test_benchmarks_run_on_a_small_fleet(pytestconfig: pytest.Config) -> None:
    cases = {"list": ["zones"], "publish": ["events"]}
    if pytestconfig.getoption("--long"):  # each makes a database
        cases |= {
            "import": ["rows"], "pages": ["sheet", "zone", "fleet", "search"], "feed": ["events"],
            "deliver": ["events"], "tests": ["batch"],
        }  # fmt: skip
    _hold(cases, {})


@pytest.mark.slow
def test_one_change_runs_on_a_small_fleet(redis_url: str, pytestconfig: pytest.Config) -> None:
    if not pytestconfig.getoption("--long"):
        pytest.skip("takes a minute and a half: with --long")
    _hold({"one-change": ["sweeper", "buffers", "worker"]}, {"CELERY_BROKER_URL": redis_url})


@pytest.mark.slow
def test_every_get_route_is_asked_on_a_small_fleet(pytestconfig: pytest.Config) -> None:
    if not pytestconfig.getoption("--long"):
        pytest.skip("takes two minutes: with --long")
    lines = _lines({"routes": []}, {})
    asked = {each["case"].partition("?")[0].partition(" ")[0] for each in lines}
    served = {route.removeprefix("/api/v1/") for method, route in TABLE if method == "GET"}
    assert served - asked == {"search"}  # which has a benchmark of its own


def test_the_readme_says_below_what_no_route_is_measured() -> None:
    floors = routes.FLOORS
    said = f"{floors['rows']:g} rows, {floors['pages']:g} pages or {floors['seconds'] * 1000:g} ms"
    page = (Path(settings.BASE_DIR) / "README.md").read_text(encoding="utf-8")
    assert f"less than {said} counts as so much" in page


SCRIPTED = """
import json, os, sys
answers = iter(json.loads(os.environ["ANSWERS"]))
for told in sys.stdin:
    answer = next(answers, None)
    if answer is None:
        break
    expected, address, seconds = answer
    assert told == expected + "\\n", (told, expected)
    print(json.dumps({"route": address, "asked": "", "seconds": seconds}), flush=True)
"""
"""Stands for a fleet: what it expects to be told, and what it then asked for and how long that took."""


def _turns(monkeypatch: pytest.MonkeyPatch, *fleets: list[tuple[str, str, float]]) -> list[in_turns.Asked]:
    monkeypatch.setattr(in_turns, "PROGRAM", (sys.executable, "-c", SCRIPTED))
    first, second = ({**os.environ, "ANSWERS": json.dumps(answers)} for answers in fleets)
    return [*in_turns.ask_in_turns(first, second, in_doubt=lambda one: one.first["seconds"] > 2)]


def test_an_address_in_doubt_is_asked_of_both_fleets_again(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = _turns(
        monkeypatch,
        [("next", "/sites", 1.0), ("next", "/zones", 9.0), ("again", "/zones", 2.0), ("next", "/runs", 2.0)],
        [("next", "/sites", 1.5), ("next", "/zones", 1.0), ("again", "/zones", 3.0), ("next", "/runs", 2.0)],
    )
    assert [(one.route, one.first["seconds"], one.second["seconds"]) for one in asked] == [
        ("/sites", 1.0, 1.5),
        ("/zones", 2.0, 1.0),
        ("/runs", 2.0, 2.0),
    ]


def test_an_address_whose_time_stays_in_doubt_is_not_asked_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    slow = [("next", "/zones", 9.0), *[("again", "/zones", 8.0)] * (in_turns.MOST_TURNS - 1)]
    (asked,) = _turns(monkeypatch, slow, slow)
    assert (asked.first["seconds"], asked.second["seconds"]) == (8.0, 8.0)


@pytest.mark.parametrize("others", [[("next", "/runs", 1.0)], []])
def test_two_fleets_that_are_asked_for_different_things_are_an_error(
    monkeypatch: pytest.MonkeyPatch, others: list[tuple[str, str, float]]
) -> None:
    with pytest.raises(RuntimeError, match="asked for different things"):
        _turns(monkeypatch, [("next", "/sites", 1.0)], others)


def _hold(cases: dict[str, list[str]], environment: dict[str, str]) -> None:
    lines = _lines(cases, environment)
    assert [(each["bench"], each["case"]) for each in lines] == [
        (name, case) for name, of_name in cases.items() for case in of_name
    ]


def _lines(cases: dict[str, list[str]], environment: dict[str, str]) -> list[dict[str, Any]]:
    """The benchmarks say whole lines, of a few sites."""
    done = subprocess.run(
        [sys.executable, "manage.py", "bench", *cases, "--sites", f"{SITES}"],
        cwd=settings.BASE_DIR, env={**os.environ, **environment}, check=True,
        stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    lines: list[dict[str, Any]] = [json.loads(each) for each in done.stdout.splitlines()]
    for each in lines:
        assert set(each) == KEYS
        assert each["sizes"]["sites"] == SITES
    return lines


def test_a_worker_is_left_out_where_nobody_could_tell_it(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        closed = f"redis://127.0.0.1:{taken.getsockname()[1]}/0"
        monkeypatch.setattr(one_change, "BROKERS", (closed,))
        monkeypatch.setenv("CELERY_BROKER_URL", closed)
        assert list(one_change.cases(("worker",), 50)) == []
    assert f"no broker at CELERY_BROKER_URL, {closed}" in capsys.readouterr().err


@pytest.mark.parametrize(("ours", "met"), [(3.0, True), (3.1, False)])
def test_a_goal_is_met_up_to_its_very_value(ours: float, met: bool) -> None:
    stated = line("history", "zones", ours, 1.0, goal=3, sizes={})
    assert stated.met is met
    assert json.loads(str(stated))["met"] is met


def test_a_size_that_cannot_be_is_refused() -> None:
    with pytest.raises(CommandError, match="expected a whole number from 10 to 100000"):
        call_command("bench", "solver", "--sites", "9")


def test_no_name_means_every_benchmark() -> None:
    # Python 3.11 refuses this of an argument with `choices`
    assert Command().create_parser("manage.py", "bench").parse_args([]).names == []


def test_an_unknown_benchmark_is_refused() -> None:
    with pytest.raises(CommandError, match="invalid choice"):
        call_command("bench", "speed")


def _costs(rows: float, *, sites: float) -> in_turns.Costs:
    return {"rows": rows, "pages": 0.0, "seconds": 0.0, "counted": 0.0, "sites": sites, "peak_rss_mb": 0.0}


def test_only_a_page_of_more_sites_may_cost_more_and_no_more_than_they_are() -> None:
    # 20 sites in place of 10: twice the goal of 1.3 is 2.6, and 4000 rows are twice 2000, 5400 are 2.7 times
    few, many = _costs(2000, sites=10), [_costs(rows, sites=20) for rows in (4000, 5400)]
    pages = [in_turns.Asked(route, "", one, few) for route in ("/api/v1/findings", "/x") for one in many]
    assert [routes._grown(page) for page in pages] == [[], ["rows"], ["rows"], ["rows"]]
    line_of_both = routes._worst("/api/v1/findings", pages[:2], {})
    assert (line_of_both.goal, line_of_both.ratio, line_of_both.met) == (2.6, 2.7, False)
    assert (line_of_both.sizes["sites_large"], line_of_both.sizes["sites_small"]) == (20, 10)


@pytest.mark.parametrize(
    ("answer", "counted", "sites"),
    [
        ({"items": [{"id": 1, "site_id": 4}, {"id": 2, "site_id": 4}, {"id": 3, "site_id": 5}]}, 0, 2),
        ({"items": [{"id": 1}], "count": 7}, 7, 0),
        ({"count": 33, "by_severity": {}}, 33, 0),
        ([1, 2], 0, 0),
    ],
)
def test_what_an_answer_counts_and_the_sites_it_is_of(answer: Any, counted: int, sites: int) -> None:
    assert asking.told(json.dumps(answer).encode()) == (counted, sites)
    assert asking.told(b"<html>") == (0, 0)
