"""The file that names the switches to read and the credentials for it: TOML, readable by its owner alone."""

from __future__ import annotations

import os
import stat
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlsplit

from sites.fields import LARGEST_ID
from sites.wording import did_you_mean

from .snmp import Login

EXAMPLE: Final = """\
service = "https://zonebook.example"
token = "…"                    # scopes record:read and tests:write

[[switch]]
id = 41                        # its id in Zonebook
address = "10.4.0.2"
user = "reader"                # SNMP v3, SHA-256 and AES-128
auth_password = "…"
priv_password = "…"
groups = [1, 2]                # optional: all its supply groups, so that a missing one is an error
port = 161                     # optional
"""
_SHORTEST_PASSWORD: Final = 8
"""RFC 3414, section 11.2."""
_HERE: Final = ("127.0.0.1", "::1", "localhost")


class ListError(Exception):
    """The file cannot be used; the text says all that is wrong with it, and holds no secret."""


@dataclass(frozen=True)
class Listed:
    """One switch of the file."""

    id: int
    login: Login
    groups: tuple[int, ...]


@dataclass(frozen=True)
class SwitchList:
    service: str
    token: str = field(repr=False)
    switches: tuple[Listed, ...]


def read_list(path: Path) -> SwitchList:
    """The file; ListError where others can read it, or something in it is wrong."""
    with path.open("rb") as file:
        found = os.fstat(file.fileno())
        if found.st_uid != os.geteuid() or stat.S_IMODE(found.st_mode) & 0o077:
            raise ListError(
                f"{path} holds passwords, and others than you can read it: `chown` it to the user that runs "
                f"this, and `chmod 600 {path}`"
            )
        try:
            document = tomllib.loads(file.read().decode("utf-8"))
        except tomllib.TOMLDecodeError as error:
            # Its text says what was expected and where, and quotes nothing but a single character
            raise ListError(f"{path} is not TOML: {error}") from error
        except UnicodeDecodeError as error:
            raise ListError(f"{path} is not UTF-8: byte {error.start} cannot be read") from error
    problems = [*_problems(document)]
    if problems:
        raise ListError("\n".join(f"{path}: {problem}" for problem in problems))
    switches = tuple(_listed(entry) for entry in document["switch"])
    return SwitchList(document["service"].rstrip("/"), document["token"], switches)


def _listed(entry: Mapping[str, Any]) -> Listed:
    login = Login(
        entry["address"],
        entry.get("port", 161),
        entry["user"],
        entry["auth_password"],
        entry["priv_password"],
    )
    return Listed(entry["id"], login, tuple(entry.get("groups", ())))


# --- what is wrong ------------------------------------------------------------------------------------------


def _is_text(value: Any) -> bool:
    return isinstance(value, str) and value.isprintable() and bool(value.strip())


def _is_password(value: Any) -> bool:
    return _is_text(value) and len(value) >= _SHORTEST_PASSWORD


def _is_whole(value: Any, least: int, most: int) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and least <= value <= most


def _is_service(value: Any) -> bool:
    if not _is_text(value):
        return False
    try:
        parts = urlsplit(value)
        _ = parts.port
    except ValueError:
        return False
    safe = parts.scheme == "https" or (parts.scheme == "http" and parts.hostname in _HERE)
    return safe and bool(parts.hostname) and not parts.username and not parts.query and not parts.fragment


_FILE: Final = {
    "service": (
        _is_service,
        "an address such as https://zonebook.example (http only on this machine: the token is a secret)",
    ),
    "token": (lambda value: _is_text(value) and value.isascii(), "the token that `manage.py token` printed"),
    "switch": (
        lambda value: isinstance(value, list) and value and all(isinstance(one, dict) for one in value),
        "one [[switch]] or more",
    ),
}
_SWITCH: Final = {
    "id": (lambda value: _is_whole(value, 1, LARGEST_ID), "the id of the switch in Zonebook, such as 41"),
    "address": (_is_text, "an address or a name in the network, such as 10.4.0.2"),
    "user": (_is_text, "the name of an SNMP v3 user"),
    "auth_password": (_is_password, f"{_SHORTEST_PASSWORD} characters or more"),
    "priv_password": (_is_password, f"{_SHORTEST_PASSWORD} characters or more"),
    "port": (lambda value: _is_whole(value, 1, 65_535), "a UDP port from 1 to 65535"),
    "groups": (
        lambda value: isinstance(value, list) and value and all(_is_whole(one, 1, 999) for one in value),
        "a list of supply groups, such as [1, 2]",
    ),
}
_OPTIONAL: Final = ("port", "groups")


def _problems(document: Mapping[str, Any]) -> Iterator[str]:
    yield from _wrong(document, _FILE, "")
    switches = document.get("switch")
    if not isinstance(switches, list):
        return
    seen: dict[int, int] = {}
    for number, entry in enumerate(switches, 1):
        if not isinstance(entry, dict):
            continue
        yield from _wrong(entry, _SWITCH, f"switch {number}: ")
        pk = entry.get("id")
        if isinstance(pk, int) and pk in seen:
            yield f"switch {number}: id {pk} is that of switch {seen[pk]} too"
        elif isinstance(pk, int):
            seen[pk] = number


def _wrong(given: Mapping[str, Any], known: Mapping[str, Any], where: str) -> Iterator[str]:
    for name, (fits, expected) in known.items():
        if name not in given and name not in _OPTIONAL:
            yield f"{where}{name} is missing: expected {expected}"
        elif name in given and not fits(given[name]):
            yield f"{where}{name}: expected {expected}"
    for name in given:
        if name not in known:
            hint = did_you_mean(name, known) or f" What can stand here: {', '.join(known)}."
            yield f"{where}there is no {name!r} here.{hint}"
