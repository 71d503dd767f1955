"""No answer, log line, event, change, export or dump ever holds a door code. Distinctive codes are written,
replaced, removed, refused and shown; then all that leaves the service is searched for them."""

from __future__ import annotations

import io
import json
import re
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command
from django.db import connection, connections
from django.test import Client
from pypdf import PdfReader

from api.database import programs
from api.database.backend.base import DatabaseWrapper
from api.pages.urls import PAGES
from api.v1.routes import RESOURCES
from sites.models import Closet, Customer, Event, KeptAnswer, Secret, SecretReveal, Site
from sites.models.access import User
from tests import factories
from tests.api.conftest import Caller, logged
from tests.api.permission_table import TABLE
from tests.api.v1 import plenty
from tests.halls import Hall, more_speakers
from tests.page_addresses import Shown
from zones.recheck.sweep import sweep

pytestmark = pytest.mark.django_db(transaction=True)
KEPT, REPLACED, REMOVED, OF_THE_SITE, REFUSED = (
    f"plover-{number}-qzx#" for number in (7301, 7302, 7303, 7304, 7305)
)
CODES = (KEPT, REPLACED, REMOVED, OF_THE_SITE, REFUSED)


@dataclass
class Kept:
    """A site with its codes, who asks, and what was said meanwhile."""

    hall: Hall
    client: Client
    person: Client
    logged: io.StringIO
    answers: list[bytes] = field(default_factory=list)

    def send(self, method: str, address: str, body: Any, *, etag: str = "", key: str = "") -> Any:
        headers = {name: value for name, value in (("If-Match", etag), ("Idempotency-Key", key)) if value}
        return self.client.generic(
            method,
            f"/api/v1/{address}",
            json.dumps(body),
            content_type="application/json",
            headers=headers,
        )


@pytest.fixture
def lines() -> Iterator[io.StringIO]:
    """Every line of every logger."""
    with logged("DEBUG") as stream:
        yield stream


@pytest.fixture
def kept(customer: Customer, lines: io.StringIO, with_token: Caller, logged_in: Caller) -> Kept:
    """The codes, written as programs and people do; with their answers, but for the one that shows a code."""
    manager = factories.make_user(User.Role.MANAGER, customers=[customer])
    hall = plenty.one_hall(customer)
    plenty.add(hall, 1)
    found = Kept(hall, with_token(manager), logged_in(manager), lines)
    _write(found, hall.closet)
    _refused(found, hall.closet)
    _show(found)
    _cross_a_limit(found, customer)
    assert found.logged.getvalue(), "nothing was logged"
    return found


def _write(found: Kept, closet: Closet) -> None:
    def add(label: str, code: str, **where: int) -> Any:
        body = {"kind": "door", "label": label, "code": code, **where}
        answer = found.send("POST", "secrets", body, key=f"add {label}".replace(" ", "-"))
        assert answer.status_code == 201
        found.answers.append(answer.content)
        return answer

    street = add("street door", REPLACED, closet_id=closet.pk)
    add("panel", OF_THE_SITE, site_id=closet.site_id)
    hatch = add("hatch", REMOVED, closet_id=closet.pk)
    replaced = found.send("PATCH", f"secrets/{street.json()['id']}", {"code": KEPT}, etag=street["ETag"])
    removed = found.send("DELETE", f"secrets/{hatch.json()['id']}", None, etag=hatch["ETag"])
    assert (replaced.status_code, removed.status_code) == (200, 204)
    found.answers += [replaced.content, removed.content]


def _refused(found: Kept, closet: Closet) -> None:
    body = {"closet_id": closet.pk, "kind": "door", "label": "street door", "code": REFUSED}
    address = f"secrets/{Secret.objects.get(label='street door').pk}"
    for answer, status in (
        (found.send("POST", "secrets", body), 409),
        (found.send("POST", "secrets", body, key="add-street-door"), 422),
        (found.send("POST", "secrets", {**body, "label": "x" * 81}), 400),
        (found.send("POST", "secrets", {**body, "code": REFUSED * 20}), 400),
        (found.send("POST", "secrets", {**body, "code": [REFUSED]}), 400),
        (found.send("POST", "secrets", {**body, "code": {REFUSED: 1}}), 400),
        (found.send("PATCH", address, {"code": REFUSED}, etag='"1"'), 412),
        (found.send("PATCH", address, {"code": REFUSED}), 428),
        (found.send("PUT", address, {"code": REFUSED}), 405),
        (found.send("POST", f"{address}/reveal", {"reason": "night call"}), 403),
    ):
        assert answer.status_code == status, answer.content
        found.answers.append(answer.content)


def _show(found: Kept) -> None:
    address = f"/api/v1/secrets/{Secret.objects.get(label='street door').pk}/reveal"
    body = {"reason": "night call"}
    shown, again = (
        found.person.post(address, body, content_type="application/json", headers={"Idempotency-Key": "k"})
        for _ in range(2)
    )
    assert shown.json()["code"] == KEPT
    assert again["Idempotency-Replayed"] == "true"
    found.answers.append(again.content)
    page = f"/closets/{found.hall.closet.pk}/codes"
    on_page = found.person.post(page, {"code": Secret.objects.get(label="street door").pk, **body})
    assert on_page.content.count(KEPT.encode()) == 1


def _cross_a_limit(found: Kept, customer: Customer) -> None:
    """Twelve speakers more than the supply of the hall feeds, so that there is an event."""
    factories.make_coverage(factories.make_contract(customer), found.hall.site)
    sweep()
    draft = {"site_id": found.hall.site.pk, "reason": "more", "operations": more_speakers(found.hall)}
    drawn = found.send("POST", "change-sets", draft)
    accepted = found.send("POST", f"change-sets/{drawn.json()['id']}/accept", {}, etag=drawn["ETag"])
    assert accepted.status_code == 200, accepted.content
    sweep()


def forms(code: str) -> Iterator[bytes]:
    """A code as it could stand somewhere: as it is, and as PostgreSQL writes bytes."""
    yield code.encode()
    yield code.encode().hex().encode()


def holds_a_code(text: bytes) -> list[str]:
    return [code for code in CODES if any(form in text for form in forms(code))]


def test_the_search_would_find_one(logged_in: Caller, manager: User, site: Site) -> None:
    assert holds_a_code(b'{"code": "' + KEPT.encode() + b'"}') == [KEPT]
    assert holds_a_code(b"\\x" + REMOVED.encode().hex().encode()) == [REMOVED]
    sheet = logged_in(manager).get(f"/closets/{factories.make_closet(site, directions=KEPT).pk}.pdf")
    assert sheet["Content-Type"] == "application/pdf"
    assert holds_a_code(sheet.getvalue()) == [], "then a PDF need not be read"
    assert holds_a_code(text_of(sheet)) == [KEPT]


def text_of(page: Any) -> bytes:
    """What a page says. In a PDF the text is compressed, and a line may end within a code."""
    content: bytes = page.getvalue()
    if page["Content-Type"] != "application/pdf":
        return content
    text = "".join(sheet.extract_text() for sheet in PdfReader(io.BytesIO(content)).pages)
    assert text.strip()
    return content + "".join(text.split()).encode()


def test_no_answer_and_no_line_of_the_log_holds_one(kept: Kept, monkeypatch: pytest.MonkeyPatch) -> None:
    assert [holds_a_code(answer) for answer in kept.answers] == [[]] * len(kept.answers)
    seen = 0
    for address in _addresses(kept.client):
        answer = (kept.person if "/calendars" in address else kept.client).get(address)
        assert answer.status_code in (200, 404), (address, answer.content)
        assert holds_a_code(answer.getvalue()) == [], address
        seen += answer.status_code == 200
    assert seen > len(TABLE) / 2
    for page in _pages(kept):
        answer = kept.person.get(page, follow=True)
        assert answer.status_code == 200, page
        assert holds_a_code(text_of(answer)) == [], page
    assert kept.client.get("/api/v1/search", {"q": "plover qzx"}).json()["items"] == []
    _crash(kept, monkeypatch)
    assert holds_a_code(kept.logged.getvalue().encode()) == []


def _addresses(client: Client) -> Iterator[str]:
    """Every GET there is, of each thing that is listed."""
    for method, route in TABLE:
        if method != "GET":
            continue
        path = route.removeprefix("/api/v1/")
        resource = next((name for name in RESOURCES if path.startswith(f"{name}/{{id}}")), None)
        if resource is not None:
            for item in client.get(f"/api/v1/{resource}").json()["items"]:
                yield route.replace("{id}", str(item["id"]))
        elif path == "search":
            yield f"{route}?q=door"
        else:
            expansions = RESOURCES[path].serializer_class.expansions if path in RESOURCES else ()
            yield route.replace("{code}", "not_found") + (
                f"?expand={','.join(expansions)}" if expansions else ""
            )


def _pages(kept: Kept) -> Iterator[str]:
    """Every page there is, of the hall with the codes."""
    shown = Shown(kept.hall.closet, kept.hall.block)
    vars(shown)["hall"] = kept.hall
    yield "/search?q=door"
    yield from (shown.address(row) for row in PAGES)


def _crash(kept: Kept, monkeypatch: pytest.MonkeyPatch) -> None:
    """An error page and its traceback, while a code is at hand."""

    def crash(*_args: Any, **_kwargs: Any) -> None:
        raise RuntimeError("no room")

    body = {"site_id": kept.hall.site.pk, "kind": "door", "label": "gate", "code": REFUSED}
    secret = Secret.objects.get(label="street door")
    with monkeypatch.context() as patched:
        patched.setattr("api.v1.secrets.secret_add", crash)
        crashed = kept.send("POST", "secrets", body)
    with monkeypatch.context() as patched:
        patched.setattr("api.v1.secrets.RevealedSerializer", crash)
        address = f"/api/v1/secrets/{secret.pk}/reveal"
        shown = kept.person.post(address, {"reason": "night call"}, content_type="application/json")
    assert (crashed.status_code, shown.status_code) == (500, 500)
    assert "no room" in kept.logged.getvalue()
    for answer in (crashed, shown):
        assert holds_a_code(answer.content) == []


def test_no_row_and_no_export_holds_one(kept: Kept, tmp_path: Path) -> None:
    assert Event.objects.exists()
    assert KeptAnswer.objects.count() == 4
    assert SecretReveal.objects.filter(secret__label="street door").count() == 2
    with connection.cursor() as cursor:
        tables = connection.introspection.table_names(cursor)
        for table in tables:
            cursor.execute(f'SELECT t::text FROM "{table}" t')
            rows = "\n".join(row for (row,) in cursor.fetchall())
            assert holds_a_code(rows.encode()) == [], table
    assert {"secret", "change", "event", "kept_answer", "django_session"} <= set(tables)
    call_command("asbuilt", "export", str(tmp_path / "out"), stdout=io.StringIO())
    files = [file for file in (tmp_path / "out").rglob("*") if file.is_file()]
    assert len(files) > 5
    for file in files:
        assert holds_a_code(file.read_bytes()) == [], file.name


def test_no_dump_holds_one(kept: Kept, tmp_path: Path) -> None:
    """A dump as `manage.py database dump` writes it, in plain text."""
    if not isinstance(connections["owner"], DatabaseWrapper):
        pytest.skip("a given server is dumped by its own programs")
    file = tmp_path / "all.dump"
    call_command("database", "dump", str(file), stdout=io.StringIO())
    restore = next(programs.candidates()).path("pg_restore")
    dumped = subprocess.run([restore, "--file=-", str(file)], capture_output=True, check=True).stdout
    assert re.search(rb"COPY public.secret .*street door", dumped, re.DOTALL)
    assert holds_a_code(dumped) == []
