"""A reading sent to the service, over its API like any program's."""

from __future__ import annotations

import datetime as dt
import json
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final
from uuid import uuid4
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import httpcore

from .port_differences import Device, Recorded
from .power_tables import Group

TRIES: Final = 3
_TIMEOUT: Final = {"connect": 10.0, "read": 30.0, "write": 30.0, "pool": 10.0}
_LONGEST_PAUSE_S: Final = 60.0
_AGAIN: Final = frozenset({429, 503})
_INSTRUMENT: Final = "SNMP, RFC 3621"
_NOT_OURS: Final = "what answers at the address in `service` is not Zonebook: is it right?"
_REASON: Final = "Power read off the switch"


class ServiceError(Exception):
    """The service did not take it; the text says why, and never holds the token."""


@dataclass(frozen=True)
class Known:
    """What the service says of a switch."""

    id: int
    name: str
    time_zone: ZoneInfo


class Service:
    """The service at an address (``https://zonebook.example``), as the holder of a token. pause: how it waits
    before it tries again."""

    def __init__(self, address: str, token: str, *, pause: Callable[[float], None] = time.sleep) -> None:
        self._root = f"{address}/api/v1"
        self._token = token
        self._pause = pause

    def switch(self, switch_id: int) -> Known:
        """The switch with the time zone of its site, in which days and times of tests are said."""
        found = self._ask("GET", f"switches/{switch_id}?expand=site")
        try:
            name, zone = found["name"], found["site"]["time_zone"]
        except (KeyError, TypeError) as error:
            raise ServiceError(_NOT_OURS) from error
        try:
            return Known(switch_id, name, ZoneInfo(zone))
        except ZoneInfoNotFoundError as error:
            raise ServiceError(f"this machine does not know the time zone {zone}") from error

    def record(self, switch: Known, groups: Sequence[Group], state: str, read_at: dt.datetime) -> list[int]:
        """Record what a switch delivered at a moment; the ids of the tests, a group each."""
        at_site = read_at.astimezone(switch.time_zone)
        body = {
            "taken_on": at_site.date().isoformat(),
            "taken_at": f"{at_site:%H:%M}",
            "state": state,
            "unit": "W",
            "instrument": _INSTRUMENT,
            "groups": [{"power_group": one.number, "value": one.power_w} for one in groups],
            "change": {"reason": _REASON},
        }
        made = self._ask("POST", f"switches/{switch.id}/power-readings", body)
        return [item["id"] for item in made["items"]]

    def ports(self, switch: Known, read_at: dt.datetime) -> Recorded:
        """What the record has on each port of a switch on the day of a moment."""
        day = read_at.astimezone(switch.time_zone).date()
        found = self._ask("GET", f"switches/{switch.id}/power?as_of={day}")
        try:
            if found["left_out"]:
                raise ServiceError("the service does not list all ports of this switch at once")
            free: Recorded = dict.fromkeys(found["free"], ())
            return {**free, **{one["number"]: _devices(one["loads"]) for one in found["ports"]}}
        except (KeyError, TypeError) as error:
            raise ServiceError(_NOT_OURS) from error

    def _ask(self, method: str, path: str, body: Mapping[str, Any] | None = None) -> Any:
        """The answer. What got none, or was not possible just now, is sent again under the same key, so it is
        done once."""
        headers: dict[bytes | str, bytes | str] = {
            "Authorization": f"Bearer {self._token}",
            "Accept": "application/json",
        }
        content = b""
        if body is not None:
            headers |= {"Content-Type": "application/json", "Idempotency-Key": str(uuid4())}
            content = json.dumps(body).encode()
        for attempt in range(1, TRIES + 1):
            try:
                answer = httpcore.request(
                    method, f"{self._root}/{path}", headers=headers, content=content,
                    extensions={"timeout": _TIMEOUT},
                )  # fmt: skip
            except (httpcore.NetworkError, httpcore.TimeoutException, httpcore.ProtocolError) as error:
                failure = f"the service at {self._root} did not answer: {str(error) or type(error).__name__}"
                wait_s = 1.0
            else:
                if answer.status < 300:
                    return _json_of(answer)
                failure = _in_words(answer)
                wait_s = _retry_after_s(answer)
                if answer.status not in _AGAIN:
                    break
            if attempt < TRIES:
                self._pause(wait_s)
        raise ServiceError(failure)


def _devices(loads: Sequence[Mapping[str, Any]]) -> list[Device]:
    return [Device(one["name"], one["poe_class"]) for one in loads]


def _json_of(answer: httpcore.Response) -> Any:
    try:
        return json.loads(answer.content)
    except ValueError as error:
        raise ServiceError(_NOT_OURS) from error


def _retry_after_s(answer: httpcore.Response) -> float:
    given = {name.lower(): value for name, value in answer.headers}.get(b"retry-after", b"")
    return min(float(given), _LONGEST_PAUSE_S) if given.isdigit() else 1.0


def _in_words(answer: httpcore.Response) -> str:
    """What the service said that is wrong, each place of it."""
    if answer.status == 401:
        return "the service does not know this token, or it has ended: make another with `manage.py token`"
    if answer.status == 404:
        return "the service has no such switch that this token may see"
    try:
        problem = json.loads(answer.content)
        said = [*_errors_of(problem)] or [problem["detail"]]
    except (ValueError, KeyError, TypeError):
        return f"the service answered {answer.status}"
    return f"the service answered {answer.status}: {'; '.join(said)}"


def _errors_of(problem: Mapping[str, Any]) -> Iterator[str]:
    for error in problem.get("errors", ()):
        yield f"{error['pointer']}: {error['detail']}" if error.get("pointer") else error["detail"]
