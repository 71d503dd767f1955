"""`manage.py demo`: the main job over HTTP, and no process left behind."""

from __future__ import annotations

import json
import re
import signal
import socket
import sys
import time
import urllib.request
from pathlib import Path

import pytest

from tests.api.database.conftest import is_running, wait_for_reaper
from tests.api.demo.conftest import STOP_S, Demo, processes_of

CHECK_S = 400.0
EVENT = ["kind", "ticket for", "respond by", "signature", "content"]
pytestmark = pytest.mark.skipif(
    not Path("/proc/self/environ").exists(), reason="looks for processes in /proc"
)


def test_the_main_job(demo: Demo, demo_data: Path) -> None:
    process = demo("--check")
    said, errors = process.communicate(timeout=CHECK_S)
    assert process.returncode == 0, errors
    lines = said.splitlines()
    assert re.fullmatch(r"1\. Zone .+, .+: stays within its limits\.", lines[0])
    visits = [
        (int(found[1]), found[2], found[3])
        for line in lines
        if (
            found := re.match(
                r"\d\. Change set (\d+) \(job DEMO-\d\): (\d+ .+ added) to run .+?\. (.+)", line
            )
        )
    ]
    assert all(after == "The zone still stays within its limits." for *_, after in visits[:-1])
    crossing, added, after = visits[-1]
    assert after.startswith("Now ")
    assert after.endswith(" is past its limit.")
    stated = {
        found[1]: found[2] for line in lines if (found := re.match(r"   ([a-z]+(?: [a-z]+)?) {3,}(.+)", line))
    }
    assert list(stated) == ["zone", "limit", "at commissioning", "now", "verdict", "the change", *EVENT]
    # the figure was within its limit at commissioning, and is past it now
    limit, first, now = (
        float(re.findall(r"\d+\.\d+", stated[name])[0]) for name in ("limit", "at commissioning", "now")
    )
    sides = (
        (first >= limit, now >= limit) if "at least" in stated["limit"] else (first <= limit, now <= limit)
    )
    assert sides == (True, False)
    assert stated["verdict"].startswith(("past: ", "probably past: "))
    assert stated["the change"].startswith(f"change set {crossing}: {added} on ")
    assert f"job DEMO-{len(visits)}" in stated["the change"]
    case = re.fullmatch(r"case\.opened, number 1 of (cases/\d+)", stated["kind"])
    assert case
    assert stated["ticket for"].partition(": ")[0].endswith(f"/change-set-{crossing}")
    assert stated["signature"].startswith("holds, under the secret of the subscription; webhook-id ")
    assert lines[-2] == f"Then, in the feed and pushed: case.cleared, number 2 of {case[1]}."
    what = added.split(" ", 1)[1].removesuffix(" added")
    assert lines[-1] == f"The {what} are removed and the finding is cleared. Every step is as expected."
    _nothing_runs(demo_data)


def test_json_is_the_first_line_once_it_serves(demo: Demo) -> None:
    process = demo("--json", "--port", str(_free_port()))
    assert process.stdout is not None
    stated = json.loads(process.stdout.readline())
    with urllib.request.urlopen(f"{stated['url']}/readyz", timeout=30) as answer:
        assert answer.status == 200
    assert set(stated["logins"]) == {"manager", "dispatcher", "technician", "reader"}
    assert all(set(login) == {"user", "password"} for login in stated["logins"].values())


def test_what_it_prints_works(demo: Demo) -> None:
    process = demo("--port", str(_free_port()))
    assert process.stdout is not None
    lines: list[str] = []
    # The last line is the one address to open first
    while not (lines and lines[-1].endswith("/log-in\n")):
        lines.append(process.stdout.readline())
        assert lines[-1], lines
    assert "Open this first" in lines[-2]
    to_click = [url for line in lines if "curl" not in line for url in re.findall(r"http://\S+", line)]
    assert len(to_click) >= 3
    for url in to_click:
        request = urllib.request.Request(url, headers={"Accept": "text/html,*/*;q=0.8"})
        with urllib.request.urlopen(request, timeout=30) as answer:
            assert (answer.status, answer.headers["Content-Type"]) == (200, "text/html; charset=utf-8"), url
            text = answer.read().decode()
        if url.endswith("/") and "/api/" not in url:
            shown = re.findall(r"zbk_[\w-]{49}", text)
    asked = re.findall(r"curl -H '(Authorization): (Bearer (\S+))' '(\S+)'", "".join(lines))
    assert len(asked) == 3
    for header, value, token, url in asked:
        request = urllib.request.Request(url, headers={header: value})
        with urllib.request.urlopen(request, timeout=30) as answer:
            assert json.load(answer)["items"], url
        assert set(shown) == {token}


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_stops_everything_it_started(demo: Demo, demo_data: Path, how: signal.Signals) -> None:
    process = demo("--json", "--port", str(_free_port()))
    assert process.stdout is not None
    assert json.loads(process.stdout.readline())["url"]
    assert len(processes_of(demo_data)) > 2, "the demo, its web server and its sweeper"
    process.send_signal(how)
    process.communicate(timeout=STOP_S)
    assert process.returncode == 0
    _nothing_runs(demo_data)


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux ends a killed parent's children")
def test_a_killed_demo_leaves_no_process(demo: Demo, demo_data: Path) -> None:
    process = demo("--json", "--port", str(_free_port()))
    assert process.stdout is not None
    assert json.loads(process.stdout.readline())["url"]
    process.kill()
    process.wait(timeout=STOP_S)
    deadline = time.monotonic() + STOP_S
    while any("reaper" not in words for words in processes_of(demo_data).values()):
        assert time.monotonic() < deadline, processes_of(demo_data)
    _nothing_runs(demo_data)


def test_an_impossible_port_is_refused(demo: Demo) -> None:
    process = demo("--port", "80000")
    _, errors = process.communicate(timeout=STOP_S)
    assert process.returncode == 2
    assert "There is no port 80000: expected 1 to 65535" in errors


def test_a_port_in_use_is_refused(demo: Demo) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        process = demo("--port", str(port))
        _, errors = process.communicate(timeout=STOP_S)
    assert process.returncode == 1
    assert f"Port {port} of 127.0.0.1 is in use." in errors


def _nothing_runs(data: Path) -> None:
    wait_for_reaper(data)
    assert not is_running(data)
    assert processes_of(data) == {}


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    return port
