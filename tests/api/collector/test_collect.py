"""`manage.py collect`: from a switch on loopback to tests in the record, over real HTTP."""

from __future__ import annotations

import datetime as dt
import io
import json
import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.core.management import CommandError, call_command

from api.collector.power_tables import Group
from api.collector.service import Known, Service, ServiceError
from sites.access.services import token_make
from sites.models import Switch, User
from sites.services.switches import port_alter
from tests import factories
from tests.api.collector.agent import (
    AUTH_PASSWORD,
    GROUP_POWER,
    PORT_CLASS,
    PORT_STATUS,
    PRIV_PASSWORD,
    USER,
    agent,
    in_a_thread,
)
from tests.halls import Hall
from zones.models import Test

NOBODY = 999_999_999
WriteList = Callable[..., Path]


@pytest.fixture
def write_list(tmp_path: Path) -> WriteList:
    def write(service: str, token: str, *switches: tuple[int, int], password: str = AUTH_PASSWORD) -> Path:
        """switches: each with its id and the port at which its agent answers."""
        lines = [f'service = "{service}"', f'token = "{token}"']
        for pk, port in switches:
            lines += [
                "[[switch]]", f"id = {pk}", 'address = "127.0.0.1"', f"port = {port}", f'user = "{USER}"',
                f'auth_password = "{password}"', f'priv_password = "{PRIV_PASSWORD}"',
            ]  # fmt: skip
        path = tmp_path / "power.toml"
        path.write_text("\n".join(lines), encoding="utf-8")
        path.chmod(0o600)
        return path

    return write


def collect(path: Path, *words: str, status: int = 0) -> tuple[str, str]:
    """What the command prints, and what it says is wrong; no secret is in either."""
    out, err = io.StringIO(), io.StringIO()
    ended = 0
    try:
        in_a_thread(
            call_command, "collect", str(path), "--state", "idle", *words, stdout=out, stderr=err,
            no_color=True,
        )  # fmt: skip
    except SystemExit as error:
        ended = int(str(error.code))
    assert ended == status, err.getvalue()
    printed = out.getvalue() + err.getvalue()
    token = path.read_text(encoding="utf-8").split('token = "')[1].partition('"')[0]
    assert not [secret for secret in (AUTH_PASSWORD, PRIV_PASSWORD, token) if secret in printed]
    return out.getvalue(), err.getvalue()


@pytest.fixture
def token(technician: User) -> str:
    return token_make(user=technician, scopes=["record:read", "tests:write"])[1]


def test_a_switch_is_read_and_recorded(
    live_server: Any, hall: Hall, token: str, write_list: WriteList
) -> None:
    with agent() as port:
        said, _ = collect(write_list(live_server.url, token, (hall.switch.pk, port)))
    first, second = Test.objects.order_by("power_group")
    assert [(one.kind, one.power_group, one.value, one.state) for one in (first, second)] == [
        ("poe_power", 1, 48.0, "idle"),
        ("poe_power", 2, 31.0, "idle"),
    ]
    assert (first.switch_id, first.instrument) == (hall.switch.pk, "SNMP, RFC 3621")
    assert first.taken_at
    assert first.change_set.channel == "rest"
    assert said == (
        f"SW 1, switch {hall.switch.pk} (127.0.0.1): group 1 48 W, group 2 31 W; "
        f"recorded as tests {first.pk}, {second.pk}; "
        "ports not compared with the record: the same number stands in several groups\n"
    )


ONE_GROUP = {
    f"{GROUP_POWER}.1": 48,
    # 1 and 3 deliver to a device of class 2 and of class 4, 2 searches
    **{f"{PORT_STATUS}.1.{number}": status for number, status in ((1, 3), (2, 2), (3, 3))},
    **{f"{PORT_CLASS}.1.{number}": coded for number, coded in ((1, 3), (2, 1), (3, 5))},
}


def test_ports_that_differ_from_the_record_are_said(
    live_server: Any, hall: Hall, token: str, write_list: WriteList
) -> None:
    """The gateway, whose model is of class 2, is on port 3, a telephone on port 2, and nothing on port 1."""
    port_alter(factories.change(hall.site), port=hall.switch.ports.get(number=2), other_load="telephone")
    differences = [
        "port 1: delivering power, class 2; the record has no device on it",
        "port 2: searching; the record has telephone on it",
        "port 3: delivering power, class 4; the record has GW 1, class 2",
    ]
    with agent(ONE_GROUP) as port:
        path = write_list(live_server.url, token, (hall.switch.pk, port))
        said, _ = collect(path)
        (found,) = json.loads(collect(path, "--json")[0])
    assert said.splitlines()[1:] == [f"  {one}" for one in differences]
    assert (found["differences"], found["not_compared"]) == (differences, None)


def test_one_that_cannot_be_read_holds_up_no_other(
    live_server: Any, hall: Hall, token: str, write_list: WriteList
) -> None:
    other: Switch = factories.make_switch(hall.closet, name="SW 2")
    with agent({}) as empty, agent() as port:
        path = write_list(live_server.url, token, (other.pk, empty), (NOBODY, port), (hall.switch.pk, port))
        said, wrong = collect(path, status=1)
    assert Test.objects.filter(switch=hall.switch).count() == Test.objects.count() == 2
    assert len(said.splitlines()) == 1
    first, second = wrong.splitlines()
    assert first.startswith(f"switch {other.pk} (127.0.0.1): it tells no power: pethMainPseTable")
    # What was read is said, so that it can be recorded by hand
    assert second == (
        f"switch {NOBODY} (127.0.0.1): group 1 48 W, group 2 31 W; not recorded: the service has no such "
        "switch that this token may see"
    )


def test_what_the_service_refuses_is_said_with_its_place(
    live_server: Any, hall: Hall, token: str, write_list: WriteList
) -> None:
    """90 W a port is the most that IEEE 802.3 has."""
    most_w = 90 * hall.switch.ports.count()
    with agent({f"{GROUP_POWER}.1": most_w + 1}) as port:
        _, wrong = collect(write_list(live_server.url, token, (hall.switch.pk, port)), status=1)
    assert (
        f"the service answered 400: /groups: {hall.switch.ports.count()} ports can deliver {most_w} W at most"
        in wrong
    )
    assert not Test.objects.exists()


def test_a_token_that_ended_is_said_so(live_server: Any, hall: Hall, write_list: WriteList) -> None:
    with agent() as port:
        _, wrong = collect(write_list(live_server.url, "n" * 43, (hall.switch.pk, port)), status=1)
    assert "the service does not know this token, or it has ended" in wrong


def test_a_dry_run_sends_nothing(write_list: WriteList) -> None:
    with agent() as port:
        path = write_list("http://127.0.0.1:9", "none", (41, port))
        said, _ = collect(path, "--dry-run", "--ports")
        as_json, _ = collect(path, "--dry-run", "--json")
    assert said.splitlines() == [
        "switch 41 (127.0.0.1): group 1 48 W, group 2 31 W; not sent",
        "  group 1, port 3: delivering power, class 2",
        "  group 1, port 4: searching",
        "  group 2, port 1: delivering power, class 4",
        "  group 2, port 2: delivering power, class 0",
        "  group 2, port 3: fault",
    ]
    (found,) = json.loads(as_json)
    assert found["groups"] == [{"number": 1, "power_w": 48}, {"number": 2, "power_w": 31}]
    assert found["ports"][0] == {"group": 1, "number": 3, "detection": "delivering power", "poe_class": 2}
    assert (found["test_ids"], found["error"]) == ([], None)


def test_a_bad_file_is_bad_input(write_list: WriteList) -> None:
    path = write_list("http://127.0.0.1:9", "none", (41, 161))
    path.chmod(0o644)
    with pytest.raises(CommandError, match="chmod 600") as caught:
        collect(path)
    assert caught.value.returncode == 2


# --- a service that is not well -----------------------------------------------------------------------------


class Stub(BaseHTTPRequestHandler):
    """Answers in turn what the test says; the requests are kept."""

    answers: list[tuple[int, bytes]]
    asked: list[tuple[str, str | None]]
    bodies: list[Any]

    def do_POST(self) -> None:
        self.bodies.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
        self.do_GET()

    def do_GET(self) -> None:
        self.asked.append((self.path, self.headers["Idempotency-Key"]))
        status, body = self.answers.pop(0)
        self.send_response(status)
        self.send_header("Retry-After", "7")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_args: Any) -> None:
        """Say nothing."""


@pytest.fixture
def stub() -> Iterator[tuple[str, type[Stub]]]:
    kind = type("StubOfTest", (Stub,), {"answers": [], "asked": [], "bodies": []})
    with ThreadingHTTPServer(("127.0.0.1", 0), kind) as server:
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        yield f"http://127.0.0.1:{server.server_port}", kind
        server.shutdown()
        thread.join()


GROUPS = [Group(1, 48)]
READ_AT = dt.datetime(2026, 11, 24, 23, 30, tzinfo=dt.UTC)
RECORDED = json.dumps({"items": [{"id": 311}]}).encode()


@pytest.fixture
def sw() -> Known:
    return Known(41, "SW 7", ZoneInfo("Europe/Oslo"))


def test_what_is_not_possible_just_now_is_sent_again_under_the_same_key(
    stub: tuple[str, type[Stub]], sw: Known
) -> None:
    address, server = stub
    server.answers += [(503, b"{}"), (429, b"{}"), (201, RECORDED)]
    waited: list[float] = []
    service = Service(address, "t", pause=waited.append)
    assert service.record(sw, GROUPS, "idle", READ_AT) == [311]
    keys = {key for _, key in server.asked}
    assert (len(server.asked), len(keys), waited) == (3, 1, [7.0, 7.0])
    assert server.asked[0][0] == "/api/v1/switches/41/power-readings"
    server.answers += [(201, RECORDED)]
    service.record(sw, GROUPS, "idle", READ_AT)
    assert server.asked[3][1] not in keys  # another reading has a key of its own


def test_day_and_time_are_those_of_the_site(stub: tuple[str, type[Stub]], sw: Known) -> None:
    """23:30 UTC on the 24th is 00:30 on the 25th in Oslo in winter."""
    address, server = stub
    server.answers += [(201, RECORDED)]
    Service(address, "t").record(sw, GROUPS, "paging", READ_AT)
    (body,) = server.bodies
    assert (body["taken_on"], body["taken_at"], body["state"]) == ("2026-11-25", "00:30", "paging")
    assert (body["groups"], body["unit"]) == ([{"power_group": 1, "value": 48}], "W")


def test_ports_that_the_service_does_not_list_are_not_taken_for_none(
    stub: tuple[str, type[Stub]], sw: Known
) -> None:
    address, server = stub
    answer = {"left_out": [{"pointer": "/free", "count": 12}], "free": [], "ports": []}
    server.answers += [(200, json.dumps(answer).encode()), (200, b"{}"), (404, b"{}")]
    for why in ("does not list all ports", "is not Zonebook", "no such switch"):
        with pytest.raises(ServiceError, match=why):
            Service(address, "t").ports(sw, READ_AT)
    # by the day of the site, on which the test is
    assert server.asked[0][0] == "/api/v1/switches/41/power?as_of=2026-11-25"


def test_what_is_refused_is_not_sent_again(stub: tuple[str, type[Stub]], sw: Known) -> None:
    address, server = stub
    server.answers += [(422, b"<html>")]
    with pytest.raises(ServiceError, match="the service answered 422"):
        Service(address, "t").record(sw, GROUPS, "idle", READ_AT)
    server.answers += [(201, b"<html>")]
    with pytest.raises(ServiceError, match="is not Zonebook"):
        Service(address, "t").record(sw, GROUPS, "idle", READ_AT)


def test_a_service_that_does_not_answer_is_asked_three_times(sw: Known) -> None:
    waited: list[float] = []
    with pytest.raises(ServiceError, match="did not answer"):
        Service("http://127.0.0.1:9", "t", pause=waited.append).record(sw, GROUPS, "idle", READ_AT)
    assert len(waited) == 2
