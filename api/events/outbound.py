"""One POST to a host that somebody else chose: connected to a checked address only, without redirects, with
limits of time and size.

The host's name is resolved once, each of its addresses is checked, and the connection goes to one of these,
never to the name: a name that has another address at the next look leads nowhere. TLS and the Host header
still have the name.
"""

from __future__ import annotations

import asyncio
import socket
import ssl
from collections.abc import Awaitable, Callable, Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from email.utils import parsedate_to_datetime
from ipaddress import ip_address
from time import time
from typing import Any, Final

import httpcore
import structlog

from .addresses import (
    Address,
    AddressRefusedError,
    Rules,
    Target,
    UrlRefusedError,
    check_addresses,
    target_of,
)

log = structlog.get_logger(__name__)

LARGEST_ANSWER_BYTES: Final = 64 * 1024
MOST_ADDRESSES: Final = 8
LONGEST_RETRY_AFTER_S: Final = 24 * 3600.0
# A look-up cannot be ended, so a name server that does not answer holds a thread for some time
_RESOLVERS: Final = 64

Resolve = Callable[[str, int], Awaitable[list[Address]]]


@dataclass(frozen=True)
class Answer:
    """status: of HTTP; None: there was no whole answer, and `error` says why, in a word. retry_after_s: how
    long the receiver asks us to wait."""

    status: int | None
    error: str = ""
    retry_after_s: float | None = None


class Outbound:
    """Sends. For one event loop; `close` it in the end."""

    def __init__(
        self,
        allowed: Rules,
        *,
        timeout_s: float,
        resolve: Resolve | None = None,
        network: httpcore.AsyncNetworkBackend | None = None,
        tls: ssl.SSLContext | None = None,
    ) -> None:
        self.allowed = allowed
        self.timeout_s = timeout_s
        self.tls = tls or ssl.create_default_context()
        self._threads = ThreadPoolExecutor(_RESOLVERS, thread_name_prefix="resolve")
        self._checked = CheckedNetwork(allowed, resolve or self._resolve, network or httpcore.AnyIOBackend())

    def close(self) -> None:
        self._threads.shutdown(wait=False, cancel_futures=True)

    async def post(self, url: str, body: bytes, headers: Mapping[str, str]) -> Answer:
        """Send a body. Errors are in the answer, not raised."""
        try:
            async with asyncio.timeout(self.timeout_s):
                return await self._post(target_of(url, self.allowed), body, headers)
        except UrlRefusedError:
            return Answer(None, "url")
        except AddressRefusedError as error:
            # Log it for the operator only: do not reveal internal addresses to the subscriber
            log.warning("a push was refused by its address", url=url, why=str(error))
            return Answer(None, "address")
        except (TimeoutError, httpcore.TimeoutException):
            return Answer(None, "timeout")
        except OSError as error:
            return Answer(None, "host" if isinstance(error, socket.gaierror) else "connection")
        except httpcore.ConnectError as error:
            return Answer(None, "tls" if isinstance(error.__context__, ssl.SSLError) else "connection")
        except httpcore.NetworkError:
            return Answer(None, "connection")
        except (httpcore.ProtocolError, httpcore.UnsupportedProtocol):
            return Answer(None, "protocol")

    async def _post(self, target: Target, body: bytes, headers: Mapping[str, str]) -> Answer:
        url = httpcore.URL(
            scheme=target.scheme.encode(), host=target.host.encode(), port=target.port,
            target=target.path.encode(),
        )  # fmt: skip
        ours = {"Host": _host_header(target), "Content-Length": str(len(body)), "Connection": "close"}
        sent: list[tuple[bytes | str, bytes | str]] = [*headers.items(), *ours.items()]
        request = httpcore.Request("POST", url, headers=sent, content=body)
        connection = httpcore.AsyncHTTPConnection(
            url.origin, ssl_context=self.tls, network_backend=self._checked
        )
        try:
            response = await connection.handle_async_request(request)
            await _read_some(response)
        finally:
            await connection.aclose()
        return Answer(response.status, retry_after_s=_retry_after(response.headers))

    async def _resolve(self, host: str, port: int) -> list[Address]:
        found = await asyncio.get_running_loop().run_in_executor(
            self._threads, lambda: socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
        )
        return [ip_address(place[0]) for *_, place in found]


class CheckedNetwork(httpcore.AsyncNetworkBackend):
    """Connects to the addresses of a host, once all of them are checked."""

    def __init__(self, allowed: Rules, resolve: Resolve, network: httpcore.AsyncNetworkBackend) -> None:
        self._allowed, self._resolve, self._network = allowed, resolve, network

    async def connect_tcp(
        self,
        host: str,
        port: int,
        timeout: float | None = None,
        local_address: str | None = None,
        socket_options: Iterable[Any] | None = None,
    ) -> httpcore.AsyncNetworkStream:
        try:
            addresses = [ip_address(host)]
        except ValueError:
            addresses = list(dict.fromkeys(await self._resolve(host, port)))
        check_addresses(addresses, self._allowed)
        failure: Exception = OSError("no address")
        for address in addresses[:MOST_ADDRESSES]:
            try:
                return await self._network.connect_tcp(
                    str(address), port, timeout, local_address, socket_options
                )
            except (httpcore.ConnectError, OSError) as error:
                failure = error
        raise failure

    async def connect_unix_socket(self, *args: Any, **kwargs: Any) -> httpcore.AsyncNetworkStream:
        raise httpcore.UnsupportedProtocol("no push goes to a socket of this machine")

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)


async def _read_some(response: httpcore.Response) -> None:
    """Read an answer, so that the receiver gets it sent; what is longer is cut off. Nothing of it is kept."""
    size = 0
    async for part in response.aiter_stream():
        size += len(part)
        if size >= LARGEST_ANSWER_BYTES:
            return


def _host_header(target: Target) -> str:
    host = f"[{target.host}]" if ":" in target.host else target.host
    usual = {"https": 443, "http": 80}[target.scheme]
    return host if target.port == usual else f"{host}:{target.port}"


def _retry_after(headers: Iterable[tuple[bytes, bytes]]) -> float | None:
    """Seconds from now, of a number of seconds or a date (RFC 9110 section 10.2.3); what is neither is
    nothing."""
    given = next((value for name, value in headers if name.lower() == b"retry-after"), None)
    if given is None:
        return None
    text = given.decode("latin-1").strip()
    if text.isascii() and text.isdecimal():
        return min(float(text[:9]), LONGEST_RETRY_AFTER_S)
    try:
        seconds = parsedate_to_datetime(text).timestamp() - time()
    except (ValueError, TypeError, OverflowError):
        return None
    return min(max(seconds, 0.0), LONGEST_RETRY_AFTER_S)
