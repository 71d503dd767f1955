"""`manage.py bench` prints one JSON line a case, and says what is missing. How fast anything is, no test
asks."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
from typing import Any

import pytest
from django.conf import settings
from django.core.management import CommandError, call_command

from api.management.commands.bench import Command
from tests.api.permission_table import TABLE
from tests.bench import one_change
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
def test_benchmarks_run_on_a_small_fleet() -> None:
    cases = {
        "import": ["rows"], "list": ["zones"], "pages": ["sheet", "zone", "fleet", "search"],
        "publish": ["events"], "feed": ["events"],
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
    routes = {route.removeprefix("/api/v1/") for method, route in TABLE if method == "GET"}
    assert routes - asked == {"search"}  # which has a benchmark of its own


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
