"""What README.md and the containers say of a deployment agrees with the code, and with the published schema
of compose files."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import yaml
from django.core.management import get_commands, load_command_class

from manage import take_data_folder
from tests.api.test_settings import read

ROOT = Path(__file__).resolve().parents[1]
COMPOSE = ROOT / "docker" / "compose.yaml"
README = (ROOT / "README.md").read_text()
VARIABLE = re.compile(r'"((?:ZONEBOOK|DATABASE|CELERY)_[A-Z_]+)"')
ZONEBOOKS = ("migrate", "web", "worker", "sweeper")


@pytest.fixture(scope="module")
def compose() -> dict[str, Any]:
    loaded: dict[str, Any] = yaml.safe_load(COMPOSE.read_text())
    return loaded


def read_variables() -> set[str]:
    """Every variable that the code reads."""
    return {name for file in (ROOT / "api").rglob("*.py") for name in VARIABLE.findall(file.read_text())}


def listed_variables() -> set[str]:
    """The variables of README's table."""
    table = README.split("| variable | default |")[1].split("\n\n")[0]
    return {name for row in table.splitlines()[2:] for name in re.findall(r"`([A-Z_]+)`", row.split("|")[1])}


def test_readme_lists_the_variables_that_the_code_reads_and_no_others() -> None:
    assert listed_variables() == read_variables()


def test_the_compose_file_follows_its_published_schema() -> None:
    """https://github.com/compose-spec/compose-spec, as check-jsonschema carries it."""
    checked = subprocess.run(
        [sys.executable, "-m", "check_jsonschema", "--builtin-schema", "vendor.compose-spec", str(COMPOSE)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert checked.returncode == 0, checked.stdout


def test_the_containers_are_given_variables_that_there_are(compose: dict[str, Any]) -> None:
    known = listed_variables()
    for name in ZONEBOOKS:
        environment = compose["services"][name]["environment"]
        assert {word if word in known else word.removesuffix("_FILE") for word in environment} <= known, name


def test_each_container_is_shut_in(compose: dict[str, Any]) -> None:
    for name, service in compose["services"].items():
        assert service["cap_drop"] == ["ALL"], name
        assert service["security_opt"] == ["no-new-privileges:true"], name
        assert service["read_only"] is True, name
        assert service["user"] not in ("root", "0"), name
        assert service["mem_limit"], name
        assert set(service["logging"]["options"]) == {"max-size", "max-file"}, name
        assert service.get("privileged") is None, name


def test_zonebook_runs_as_the_user_that_its_image_and_its_secrets_have(compose: dict[str, Any]) -> None:
    """By number: the host knows no name of it, and its files must be that user's."""
    users = {compose["services"][name]["user"] for name in ZONEBOOKS}
    (numbers,) = [re.fullmatch(r"(\d+):(\d+)", user) for user in users]
    assert numbers, users
    made = re.findall(r"useradd .*--uid (\d+) --user-group", (ROOT / "docker" / "Dockerfile").read_text())
    given = re.findall(r"^zonebook=(\d+) ", (ROOT / "docker" / "make_secrets.sh").read_text(), re.MULTILINE)
    assert made == given == [numbers[1]] == [numbers[2]]


def test_images_have_a_minor_version(compose: dict[str, Any]) -> None:
    images = [service["image"] for service in compose["services"].values()]
    images += re.findall(r"^FROM (\S+)", (ROOT / "docker" / "Dockerfile").read_text(), re.MULTILINE)
    ours = [image for image in images if image == "zonebook"]
    assert len(ours) == len(ZONEBOOKS)
    for image in set(images) - {"zonebook"}:
        assert re.fullmatch(r"[a-z]+:\d+\.\d+(-[a-z-]+)?", image), image


def test_each_container_that_stays_has_a_health(compose: dict[str, Any]) -> None:
    dockerfile = (ROOT / "docker" / "Dockerfile").read_text()
    assert "HEALTHCHECK" in dockerfile  # of the web server, which has no other
    for name, service in compose["services"].items():
        if name not in ("web", "migrate"):
            assert service["healthcheck"]["test"][0] in ("CMD", "CMD-SHELL"), name


def test_a_stop_waits_longer_than_the_server_does(compose: dict[str, Any]) -> None:
    from api.server import config

    grace = compose["services"]["web"]["stop_grace_period"]
    assert int(grace.removesuffix("s")) > config.graceful_timeout


# --- without containers -------------------------------------------------------------------------------------

NGINX, UNIT = (README.split(f"```{kind}\n")[1].split("```")[0] for kind in ("nginx", "ini"))


def said(block: str, name: str) -> str:
    """What a line of an example sets ``name`` to."""
    (value,) = re.findall(rf"^\s*{name}[ =]\s*([^;\n]+);?", block, re.MULTILINE)
    return str(value)


def number(block: str, name: str) -> int:
    return int(said(block, name).rstrip("smG"))


def test_the_proxy_example_buffers_and_fits_the_web_server() -> None:
    from api import settings
    from api.conventions.problems import LARGEST_BODY_BYTES
    from api.server import config, worker

    assert said(NGINX, "proxy_request_buffering") == said(NGINX, "proxy_buffering") == "on"
    assert said(NGINX, "proxy_set_header X-Forwarded-For") == "$remote_addr", "a caller must not choose it"
    assert said(NGINX, "proxy_set_header X-Forwarded-Proto") == "https"
    # else it sends a request into a connection that the web server is closing
    upstream = re.search(r"^upstream [^}]*", NGINX, re.MULTILINE)
    assert upstream is not None
    assert number(upstream[0], "keepalive_timeout") < config.keepalive
    assert number(NGINX, "client_max_body_size") * 2**20 > LARGEST_BODY_BYTES
    assert number(NGINX, "client_header_timeout") <= worker.HEAD_S
    # it waits for a thread, and then for one statement that waits for a lock
    limits = settings.INTERACTIVE_LIMITS
    assert number(NGINX, "proxy_read_timeout") > worker.QUEUED_S + limits.lock_s + limits.statement_s


def test_the_unit_starts_what_the_table_of_processes_does(compose: dict[str, Any]) -> None:
    from api.server import config

    commands = [line.rpartition("/.venv/bin/")[2] for line in UNIT.splitlines() if "/.venv/bin/" in line]
    assert commands[0] == "gunicorn --config python:api.server.config"
    assert commands[1] == "python manage.py sweep --loop"
    assert all(f"`{each.removeprefix('python ')}`" in README for each in commands[:2])
    assert commands[2] == "celery --app=api.celery worker --concurrency=2"
    grace = number(UNIT, "TimeoutStopSec")
    assert grace > config.graceful_timeout
    assert compose["services"]["sweeper"]["stop_grace_period"] == f"{grace}s"


def test_the_connections_of_the_example_add_up() -> None:
    from api import settings

    ((processes, threads, waiting, sweeper, workers, total),) = re.findall(
        r"(\d+) × \((\d+) \+ (\d+)\) \+ (\d+) \+ (\d+) = (\d+) with\swhat\sis\sshown\shere", README
    )
    assert (int(processes), int(threads)) == (settings.REQUEST_PROCESSES, settings.REQUEST_THREADS)
    assert f"--concurrency={workers}" in UNIT
    kept = int(processes) * (int(threads) + int(waiting)) + int(sweeper) + int(workers)
    assert kept == int(total)


def test_every_command_of_the_readme_is_taken() -> None:
    """With its options, where it is shown with any; a word in capitals stands for one of the reader's."""
    lines = re.findall(r"manage\.py ([a-z][^`\n]*)", README)
    assert len(lines) >= 20
    for line in lines:
        arguments, _folder = take_data_folder(shlex.split(line, comments=True))
        name, *options = arguments
        command = load_command_class(get_commands()[name], name)
        if options:
            command.create_parser("manage.py", name).parse_args(options)


def test_every_secret_is_a_file_that_the_script_makes(compose: dict[str, Any], tmp_path: Path) -> None:
    """Production starts with them, as in the container, and they say the same to both ends."""
    if os.geteuid():
        pytest.skip("only root can give a file to another")
    shutil.copytree(ROOT / "docker", tmp_path / "docker")
    script = ["sh", str(tmp_path / "docker" / "make_secrets.sh")]
    subprocess.run(script, check=True)
    folder = tmp_path / "docker" / "secrets"
    first = {file.name: file.read_text() for file in folder.iterdir()}
    subprocess.run(script, check=True)
    assert {file.name: file.read_text() for file in folder.iterdir()} == first  # kept where they are
    assert {Path(secret["file"]).name for secret in compose["secrets"].values()} == set(first)
    assert {file.stat().st_mode & 0o777 for file in folder.iterdir()} == {0o400}

    environment = compose["services"]["migrate"]["environment"]
    of_user = {int(service["user"].partition(":")[0]) for service in
               (compose["services"][name] for name in ZONEBOOKS)}  # fmt: skip
    for variable, path in environment.items():
        if variable.startswith(("ZONEBOOK_SECRET", "ZONEBOOK_FIELD", "DATABASE")):
            file = folder / Path(path).name
            assert {file.stat().st_uid} == of_user, variable
            os.chown(file, 0, 0)
            environment = {**environment, variable: str(file)}
    environment["ZONEBOOK_ALLOWED_HOSTS"] = "zonebook.example"
    shown = "[settings.DATABASES[alias]['PASSWORD'] for alias in ('default', 'owner')]"
    answer = read(shown, tmp_path / "data", **environment)
    said = [first[f"{role}_password"].strip() for role in ("service", "owner")]
    assert answer.stdout.strip() == repr(said), answer.stderr
