"""How each process starts: what is wrong with its settings is one line and a status, and Django's own check
of a deployment finds nothing to say of production."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode

import pytest
from django.db import connection

from tests.api.test_settings import PRODUCTION, ROOT, read
from tests.resilience.conftest import Processes, processes
from tests.resilience.serving import start_server

__all__ = ["processes"]  # a fixture

pytestmark = pytest.mark.slow  # a process each

SERVER = ("gunicorn", "--config", "python:api.server.config", "--bind", "127.0.0.1:0")
WORKER = ("celery", "-A", "api.celery", "worker")


def start(words: tuple[str, ...], data_dir: Path, **variables: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *(("-m",) if words[0] != "manage.py" else ()), *words],
        cwd=ROOT,
        env={"PATH": os.environ["PATH"], "ZONEBOOK_DATA": str(data_dir), **variables},
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )


@pytest.mark.parametrize("words", [SERVER, WORKER, ("manage.py", "sweep")], ids=lambda words: str(words[0]))
@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"ZONEBOOK_THREADS": "many"}, "ZONEBOOK_THREADS=many: expected a whole number such as 4"),
        ({"ZONEBOOK_LOG_LEVEL": "loud"}, "ZONEBOOK_LOG_LEVEL=LOUD: expected DEBUG, INFO"),
    ],
)
def test_a_bad_setting_is_one_line(
    words: tuple[str, ...], wrong: dict[str, str], said: str, tmp_path: Path
) -> None:
    ended = start(words, tmp_path, **wrong)
    (line,) = ended.stderr.splitlines()
    assert f": error: {said}" in line
    assert (ended.returncode, ended.stdout) == (1, "")


@pytest.mark.django_db
@pytest.mark.parametrize(
    "words", [(*SERVER, "--workers", "1"), ("manage.py", "sweep")], ids=lambda words: str(words[0])
)
def test_production_refuses_the_role_that_owns_the_tables(words: tuple[str, ...], tmp_path: Path) -> None:
    ended = start(words, tmp_path, **PRODUCTION | {"DATABASE_URL": owner_url()})
    (line,) = [line for line in ended.stderr.splitlines() if "DATABASE_OWNER_URL" in line]
    assert "owns tables, and can switch off their triggers" in line
    assert ended.returncode != 0
    assert "Traceback" not in ended.stdout + ended.stderr


def owner_url() -> str:
    """The address of the test's database for the role that owns its tables, over a socket or a port."""
    said: dict[str, Any] = {"password": "", **connection.get_connection_params()}
    user, password = (quote(str(said[name]), safe="") for name in ("user", "password"))
    where = urlencode({"host": said["host"], "port": said["port"]})
    return f"postgres://{user}:{password}@/{said['dbname']}?{where}"


def test_a_server_without_our_configuration_says_it_too_and_starts_no_other_worker(tmp_path: Path) -> None:
    ended = start(
        ("gunicorn", "api.wsgi", "--no-control-socket", "-b", "127.0.0.1:0"), tmp_path, ZONEBOOK_DEBUG="?"
    )
    assert "zonebook: error: ZONEBOOK_DEBUG=?: expected on or off." in ended.stderr
    assert "Traceback" not in ended.stderr
    assert ended.stderr.count("Booting worker") == 1


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize(("environment", "times"), [("local", 1), ("demo", 0)])
def test_a_server_that_was_told_nothing_says_what_it_is_once(
    environment: str, times: int, processes: Processes
) -> None:
    server, _url = start_server(processes, workers=2, ZONEBOOK_ENVIRONMENT=environment)
    assert server.said.count("this server is not in production") == times
    assert server.said.count("ZONEBOOK_ENVIRONMENT=production") == times


def test_without_a_setting_it_is_no_demo(tmp_path: Path) -> None:
    assert read("settings.ENVIRONMENT", tmp_path).stdout == "local\n"


def test_the_check_of_a_deployment_finds_nothing(tmp_path: Path) -> None:
    ended = start(("manage.py", "check", "--deploy", "--fail-level", "INFO"), tmp_path, **PRODUCTION)
    assert ended.returncode == 0, ended.stderr
    assert "no issues (2 silenced)" in ended.stdout


_IN_CIRCLES = """
import gc, weakref, api.wsgi
from django.core.signals import request_finished
class Circle:
    def __init__(self): self.me = self
def left(count):
    circles = [weakref.ref(Circle()) for _ in range(count)]
    request_finished.send(None)
    return sum(1 for one in circles if one() is not None)
print(gc.get_threshold()[0], gc.get_freeze_count(), len(gc.get_objects()))
gc.collect()
print(left(1_000), left(20_000), gc.get_count()[2])
print([left(20_000) for _ in range(8)][-1], gc.get_count()[2] < 8)
"""


def test_a_server_looks_for_garbage_between_answers_and_never_among_its_modules(tmp_path: Path) -> None:
    ended = subprocess.run(
        [sys.executable, "-c", _IN_CIRCLES],
        cwd=ROOT,
        env={"PATH": os.environ["PATH"], "ZONEBOOK_DATA": str(tmp_path), "ZONEBOOK_ENVIRONMENT": "demo"},
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
    )
    at_start, few_and_many, in_the_end = ended.stdout.splitlines()[-3:]
    threshold, frozen, looked_at = map(int, at_start.split())
    assert threshold == 100_000
    # Python's own threshold, for what was made since
    assert looked_at < 700 < frozen
    assert few_and_many == "1000 0 1"
    assert in_the_end == "0 True"
