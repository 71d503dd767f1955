"""HTTP client for the API on loopback, with the same requests as any outside program."""

from __future__ import annotations

import http.client
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from .processes import DemoError

TIMEOUT_S = 30.0


@dataclass(frozen=True)
class Answer:
    status: int
    headers: Mapping[str, str]
    body: Any


@dataclass(frozen=True)
class Client:
    """A client with one token."""

    port: int
    token: str

    def get(self, path: str, **query: Any) -> Any:
        """The body of a GET."""
        return self.send("GET", f"{path}?{urlencode(query)}" if query else path).body

    def post(self, path: str, body: Any, **headers: str) -> Answer:
        return self.send("POST", path, body, headers)

    def items(self, path: str, **query: Any) -> list[Any]:
        """All items of a list, page by page."""
        page = self.get(path, page_size=500, **query)
        found: list[Any] = page["items"]
        while page["next"]:
            page = self.get(path, page_size=500, cursor=page["next"], **query)
            found += page["items"]
        return found

    def send(
        self, method: str, path: str, body: Any = None, headers: Mapping[str, str] | None = None
    ) -> Answer:
        """The answer to a request. Raises DemoError with the service's problem where it refuses."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=TIMEOUT_S)
        sent = {"Authorization": f"Bearer {self.token}", "Accept": "application/json", **(headers or {})}
        payload = None if body is None else json.dumps(body)
        if payload is not None:
            sent["Content-Type"] = "application/json"
        try:
            connection.request(method, f"/api/v1{path}", body=payload, headers=sent)
            response = connection.getresponse()
            raw = response.read()
        except OSError as error:
            raise DemoError(f"{method} {path}: no answer ({error})") from error
        finally:
            connection.close()
        try:
            found = json.loads(raw) if raw else None
        except json.JSONDecodeError as error:
            raise DemoError(f"{method} {path}: {response.status}, and the answer is not JSON") from error
        if response.status >= 400:
            raise DemoError(f"{method} {path}: {response.status}, {json.dumps(found)}")
        return Answer(response.status, dict(response.getheaders()), found)
