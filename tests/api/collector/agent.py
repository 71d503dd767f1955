"""A real SNMP v3 agent on loopback that serves a switch's power tables as RFC 3621 has them.

Object identifiers and codes are written here once more, from memory of RFC 3621: entry 105.1.1.1 of ports, by
group and port, 105.1.3.1.1 of supply groups; a class is coded one more than it is called, power is in whole
watts."""

from __future__ import annotations

import asyncio
import bisect
import socket
import threading
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import Any, Final, TypeVar

from pysnmp.carrier.asyncio.dgram import udp
from pysnmp.entity import config, engine
from pysnmp.entity.rfc3413 import cmdrsp, context
from pysnmp.proto.api import v2c
from pysnmp.proto.rfc1905 import endOfMibView
from pysnmp.smi.instrum import AbstractMibInstrumController

Answer = TypeVar("Answer")

USER: Final = "reader"
AUTH_PASSWORD: Final = "authenticates-nobody"
PRIV_PASSWORD: Final = "hides-nothing-here"
PORT_STATUS: Final = "1.3.6.1.2.1.105.1.1.1.6"
PORT_CLASS: Final = "1.3.6.1.2.1.105.1.1.1.10"
GROUP_NOMINAL: Final = "1.3.6.1.2.1.105.1.3.1.1.2"
GROUP_POWER: Final = "1.3.6.1.2.1.105.1.3.1.1.4"

SWITCH: Final[Mapping[str, int]] = {
    # Group 1: 48 W of 370 W; group 2: 31 W of 370 W
    f"{GROUP_NOMINAL}.1": 370,
    f"{GROUP_NOMINAL}.2": 370,
    f"{GROUP_POWER}.1": 48,
    f"{GROUP_POWER}.2": 31,
    # 1.3 delivers to a class 2 device, 1.4 searches, 2.1 delivers to class 4, 2.2 to class 0; 2.3 is in fault
    f"{PORT_STATUS}.1.3": 3,
    f"{PORT_STATUS}.1.4": 2,
    f"{PORT_STATUS}.2.1": 3,
    f"{PORT_STATUS}.2.2": 3,
    f"{PORT_STATUS}.2.3": 4,
    f"{PORT_CLASS}.1.3": 3,
    f"{PORT_CLASS}.1.4": 1,
    f"{PORT_CLASS}.2.1": 5,
    f"{PORT_CLASS}.2.2": 1,
    f"{PORT_CLASS}.2.3": 4,
}
"""A switch of two supply groups."""

Oid = tuple[int, ...]


class Tables(AbstractMibInstrumController):
    """The objects of an agent, among what every agent has."""

    def __init__(self, objects: Mapping[str, int]) -> None:
        texts = {"1.3.6.1.2.1.1.5.0": v2c.OctetString("SW 1"), "1.3.6.1.2.1.200.1.0": v2c.Integer(7)}
        numbers = {name: v2c.Gauge32(value) for name, value in objects.items()}
        self.values: dict[Oid, Any] = {
            tuple(map(int, name.split("."))): value for name, value in (texts | numbers).items()
        }
        self.order = sorted(self.values)

    def read_next_variables(self, *pairs: Any, **_context: Any) -> list[Any]:
        return [self._after(tuple(name)) for name, _ in pairs]

    def _after(self, oid: Oid) -> Any:
        at = bisect.bisect_right(self.order, oid)
        if at == len(self.order):
            return v2c.ObjectIdentifier(oid), endOfMibView
        return v2c.ObjectIdentifier(self.order[at]), self.values[self.order[at]]


@contextmanager
def agent(objects: Mapping[str, int] = SWITCH) -> Iterator[int]:
    """The UDP port of an agent that serves these objects to `USER` while the block lasts."""
    sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sock.bind(("127.0.0.1", 0))
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=_serve, args=(loop, sock, objects), daemon=True)
    thread.start()
    try:
        yield sock.getsockname()[1]
    finally:
        loop.call_soon_threadsafe(loop.stop)
        thread.join()
        sock.close()
        loop.close()


def _serve(loop: asyncio.AbstractEventLoop, sock: socket.socket, objects: Mapping[str, int]) -> None:
    asyncio.set_event_loop(loop)
    snmp = engine.SnmpEngine()
    config.add_transport(snmp, udp.DOMAIN_NAME, udp.UdpTransport(loop=loop).open_server_mode(sock=sock))
    config.add_v3_user(
        snmp, USER, config.USM_AUTH_HMAC192_SHA256, AUTH_PASSWORD, config.USM_PRIV_CFB128_AES, PRIV_PASSWORD
    )
    config.add_vacm_user(snmp, 3, USER, "authPriv", (1, 3, 6, 1))
    names = context.SnmpContext(snmp)
    names.unregister_context_name(b"")
    names.register_context_name(b"", Tables(objects))
    cmdrsp.BulkCommandResponder(snmp, names)
    try:
        loop.run_forever()
    finally:
        snmp.close_dispatcher()
        loop.run_until_complete(asyncio.sleep(0))  # a transport closes at the loop's next turn


def in_a_thread(function: Callable[..., Answer], *args: Any, **kwargs: Any) -> Answer:
    """What it returns or raises. A browser test before it leaves an event loop running in the thread of the
    tests, where no other can be started."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(function, *args, **kwargs).result()
