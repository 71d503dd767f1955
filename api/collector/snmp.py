"""Columns of tables read off a switch by SNMP v3, authenticated and encrypted (SHA-256, AES-128)."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from ipaddress import IPv6Address, ip_address
from typing import Final

from pysnmp.error import PySnmpError
from pysnmp.hlapi.v3arch.asyncio import (
    USM_AUTH_HMAC192_SHA256,
    USM_PRIV_CFB128_AES,
    ContextData,
    ObjectIdentity,
    ObjectType,
    SnmpEngine,
    Udp6TransportTarget,
    UdpTransportTarget,
    UsmUserData,
    bulk_walk_cmd,
)
from pysnmp.proto import errind

from .power_tables import Columns, Group, Index, Port, TablesError, groups_of, ports_of

TIMEOUT_S: Final = 3.0
RETRIES: Final = 2
_ROWS_AT_ONCE: Final = 20
_MOST_ROWS: Final = 10_000


class SwitchError(Exception):
    """A switch could not be read; the text says why, and never holds a password."""


@dataclass(frozen=True)
class Login:
    """Where a switch answers, and as whom. Passwords do not show in its text."""

    address: str
    port: int
    user: str
    auth_password: str = field(repr=False)
    priv_password: str = field(repr=False)


@dataclass(frozen=True)
class Told:
    """What a switch tells."""

    groups: list[Group]
    ports: list[Port]


async def read_switch(
    login: Login, groups: tuple[int, ...] = (), *, timeout_s: float = TIMEOUT_S, retries: int = RETRIES
) -> Told:
    """The supply groups and ports of a switch; SwitchError says why not. groups: those it should have."""
    engine = SnmpEngine()  # one a switch: users of one name may have other passwords elsewhere
    try:
        columns = {
            column: await _column(engine, login, column, timeout_s, retries)
            # What is needed comes first, so that its error is the one that is said
            for column in (Columns.CONSUMPTION, Columns.NOMINAL, Columns.DETECTION, Columns.CLASSIFICATION)
        }
        return Told(
            groups_of(columns[Columns.CONSUMPTION], columns[Columns.NOMINAL], groups),
            ports_of(columns[Columns.DETECTION], columns[Columns.CLASSIFICATION]),
        )
    except TablesError as error:
        raise SwitchError(str(error)) from error
    except PySnmpError as error:
        raise SwitchError(f"{login.address} cannot be asked: {type(error).__name__}") from error
    finally:
        engine.close_dispatcher()
        await asyncio.sleep(0)  # its socket closes at the loop's next turn


async def _column(
    engine: SnmpEngine, login: Login, column: Columns, timeout_s: float, retries: int
) -> dict[Index, int]:
    base = column.value
    user = UsmUserData(
        login.user,
        login.auth_password,
        login.priv_password,
        authProtocol=USM_AUTH_HMAC192_SHA256,
        privProtocol=USM_PRIV_CFB128_AES,
    )
    kind = Udp6TransportTarget if _is_ipv6(login.address) else UdpTransportTarget
    target = await kind.create((login.address, login.port), timeout=timeout_s, retries=retries)
    rows = bulk_walk_cmd(
        engine, user, target, ContextData(), 0, _ROWS_AT_ONCE, ObjectType(ObjectIdentity(base)),
        lexicographicMode=False, lookupMib=False,
    )  # fmt: skip
    found: dict[Index, int] = {}
    seen = 0
    async for failure, status, _, pairs in rows:
        if failure:
            raise SwitchError(_in_words(failure, login, timeout_s * (retries + 1)))
        if status:
            raise SwitchError(f"it refused to answer: {status.prettyPrint()}")
        for name, value in pairs:
            found[tuple(name)[len(base) :]] = int(value)
        seen += len(pairs)
        if seen > _MOST_ROWS:  # also where it gives the same rows over and over
            raise SwitchError(f"a table of it has more than {_MOST_ROWS:,} rows")
    return found


def _is_ipv6(address: str) -> bool:
    try:
        return isinstance(ip_address(address), IPv6Address)
    except ValueError:
        return False


def _in_words(failure: errind.ErrorIndication, login: Login, waited_s: float) -> str:
    """What a failure means, for the person who runs the command."""
    if isinstance(failure, errind.RequestTimedOut):
        return (
            f"no answer from {login.address}, UDP port {login.port}, within {waited_s:g} s: is it switched "
            "on, reachable from here, and set to answer SNMP? Some switches do not answer a wrong password"
        )
    if isinstance(failure, errind.UnknownUserName | errind.UnknownSecurityName):
        return f"wrong credentials: it knows no SNMP v3 user {login.user}"
    if isinstance(failure, errind.WrongDigest | errind.AuthenticationFailure):
        return f"wrong credentials: auth_password of {login.user}, or it does not use SHA-256"
    if isinstance(failure, errind.DecryptionError):
        return f"wrong credentials: priv_password of {login.user}, or it does not use AES-128"
    if isinstance(failure, errind.UnsupportedSecurityLevel):
        return f"it does not let {login.user} in with authentication and encryption (authPriv)"
    return f"SNMP failed: {failure}"
