"""What programs make of the description: a linter finds nothing wrong with it, and a client that is generated
from it reads and writes."""

from __future__ import annotations

import importlib
import json
import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from django.conf import settings
from django.test import Client

from api.conventions.schema import description
from sites.access.services import token_make
from sites.models import Site
from sites.models.access import User
from tests import factories
from tests.api.conftest import Caller
from tests.conftest import missing
from zones.models import Zone

ROOT = Path(settings.BASE_DIR)


@pytest.fixture(scope="module")
def schema(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("description") / "openapi.json"
    path.write_text(json.dumps(description()), encoding="utf-8")
    return path


# --- the linter ---------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_the_linter_of_redocly_finds_nothing(schema: Path) -> None:
    """@redocly/cli (npm), its recommended rules."""
    linter = shutil.which("redocly", path=f"{ROOT / 'node_modules/.bin'}{os.pathsep}{os.environ['PATH']}")
    if linter is None:
        missing("@redocly/cli: npm install --no-save --no-package-lock @redocly/cli")
    words = [
        linter,
        "lint",
        str(schema),
        "--extends",
        "recommended",
        "--format",
        "json",
        "--max-problems",
        "50",
    ]
    quiet = {"REDOCLY_TELEMETRY": "off", "REDOCLY_SUPPRESS_UPDATE_NOTICE": "true", "NO_COLOR": "1"}
    done = subprocess.run(
        words, capture_output=True, text=True, check=False, timeout=300, env={**os.environ, **quiet}
    )
    found = json.loads(done.stdout)
    problems = [(one["severity"], one["ruleId"], one["message"]) for one in found["problems"]]
    assert problems == []
    assert done.returncode == 0, done.stderr


# --- a generated client -------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def generated(schema: Path) -> Iterator[str]:
    """The package that openapi-python-client makes of the description, to be imported."""
    folder = schema.parent / "generated" / "zonebook_client"
    config = schema.with_name("config.yml")
    config.write_text("post_hooks: []\n")  # it would format what it wrote
    words = ["generate", "--path", str(schema), "--output-path", str(folder), "--meta", "none"]
    done = subprocess.run(
        [sys.executable, "-m", "openapi_python_client", *words, "--config", str(config)],
        capture_output=True, text=True, check=False, timeout=600,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert "arning" not in done.stdout + done.stderr, "parts of the client may be missing"
    sys.path.insert(0, str(folder.parent))
    yield folder.name
    sys.path.remove(str(folder.parent))


@pytest.mark.slow
def test_a_generated_client_reads_and_writes_zones(
    generated: str, live_server: Any, site: Site, technician: User
) -> None:
    scopes = ["record:read", "record:write"]
    _, secret = token_make(user=technician, scopes=scopes)
    with module(generated).AuthenticatedClient(
        base_url=live_server.url, token=secret, raise_on_unexpected_status=True
    ) as client:
        read_and_write(client, site, module(f"{generated}.models"), f"{generated}.api.zones.zones_")
    assert set(Zone.objects.values_list("name", flat=True)) == {"Ticket hall", "Gangway", "Deck"}


def read_and_write(client: Any, site: Site, models: Any, zones: str) -> None:
    why = models.Why(reason="survey", done_by="Hallam Crew")

    body = models.ZoneAdd(site_id=site.pk, name="Ticket hall", change=why)
    made = module(f"{zones}create").sync(client=client, body=body, idempotency_key="zone-1")
    again = module(f"{zones}create").sync(client=client, body=body, idempotency_key="zone-1")
    assert (made.name, again.id) == ("Ticket hall", made.id)

    read = module(f"{zones}retrieve").sync_detailed(made.id, client=client)
    changed = module(f"{zones}partial_update").sync(
        made.id,
        client=client,
        if_match=read.headers["ETag"],
        body=models.ZoneAlter(change=why, page_code="71", signal=models.ZoneAlterSignal.TONES),
    )
    assert (changed.page_code, changed.signal.value) == ("71", "tones")

    items = [models.ZoneAddItem(site_id=site.pk, name=name) for name in ("Gangway", "Deck")]
    many = module(f"{zones}bulk").sync(client=client, body=models.ZoneAddBulk(items=items, change=why))
    assert [zone.name for zone in many.items] == ["Gangway", "Deck"]

    stale = module(f"{zones}destroy").sync(
        made.id, client=client, if_match=read.headers["ETag"], body=models.ZoneEnd(change=why)
    )
    assert (type(stale).__name__, stale.code, stale.status) == ("Problem", "stale_version", 412)
    found = module(f"{zones}list").sync(client=client, site_id=site.pk, page_size=2)
    assert [zone.name for zone in found.items] == ["Deck", "Gangway"]
    rest = module(f"{zones}list").sync(client=client, site_id=site.pk, page_size=2, cursor=found.next_)
    assert [zone.name for zone in rest.items] == ["Ticket hall"]
    assert rest.next_ is None


def module(name: str) -> ModuleType | Any:
    return importlib.import_module(name)


# --- the first steps ----------------------------------------------------------------------------------------


def test_the_first_steps_work_as_they_are_written(site: Site, technician: User, with_token: Caller) -> None:
    """Each request of the text at the head of the reference page, one after the other."""
    factories.make_site(site.customer)
    client = with_token(technician)
    text = description()["info"]["description"]
    known = {"SITE": str(site.pk)}
    statuses = []
    for block in re.findall(r"```sh\n(curl .*?)```", text, re.DOTALL):
        answer = send(client, block, known)
        statuses.append(answer.status_code)
        if answer.status_code == 201:
            known |= {"ZONE": str(answer.json()["id"]), "ETAG": answer["ETag"].strip('"')}
            known["ETAG"] = answer["ETag"]
    assert statuses == [200, 201, 200]
    assert Zone.objects.get().page_code == "71"


def send(client: Client, command: str, known: dict[str, str]) -> Any:
    """The request of a curl command."""
    for name, value in known.items():
        command = command.replace(f"${name}", value)
    words = iter(shlex.split(command.replace("\\\n", " "))[1:])
    method, headers, body, address = "", {}, "", ""
    for word in words:
        if word == "-X":
            method = next(words)
        elif word == "-H":
            name, _, value = next(words).partition(": ")
            headers[name] = value
        elif word == "-d":
            body = next(words)
        else:
            address = word.removeprefix("$URL")
    headers = {name: value for name, value in headers.items() if name != "Authorization"}
    return client.generic(
        method or ("POST" if body else "GET"),
        address,
        body,
        content_type=headers.pop("Content-Type", "application/json"),
        headers=headers,
    )
