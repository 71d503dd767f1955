"""What one may do: the abilities, the roles that hold them, and the scopes that a token can be given.

One list for people and programs: a token's scopes are names of abilities, and it holds those of them that its
user's role holds too, so a token never does what its user may not.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum
from typing import Final

from sites.models.access import User


class Ability(StrEnum):
    READ_RECORD = "record:read"
    READ_EVENTS = "events:read"
    WRITE_FINDINGS = "findings:write"
    WRITE_RECORD = "record:write"
    WRITE_TESTS = "tests:write"
    SUBSCRIPTIONS = "subscriptions:write"
    ADMIN = "admin"
    REVEAL_SECRETS = "secrets:reveal"
    CALENDARS = "calendars"


MEANINGS: Final[dict[Ability, str]] = {
    Ability.READ_RECORD: "look at customers, sites, plant, zones, loads, findings and changes",
    Ability.READ_EVENTS: "follow what happens: cases opened, changed and cleared, changes accepted",
    Ability.WRITE_FINDINGS: "acknowledge and defer findings, set ticket references",
    Ability.WRITE_RECORD: "write as-built changes: sites, closets, contacts, plant, runs, clips",
    Ability.WRITE_TESTS: "record tests and visits",
    Ability.SUBSCRIPTIONS: "have events pushed to a URL: subscriptions and their deliveries",
    Ability.ADMIN: "write customers, contracts, the catalogue, users and tokens",
    Ability.REVEAL_SECRETS: "have a door or alarm code shown, one at a time, each time logged",
    Ability.CALENDARS: "have calendars of what one sees at addresses that need no log-in",
}

_READER = frozenset({Ability.READ_RECORD, Ability.READ_EVENTS, Ability.CALENDARS})
_DISPATCHER = _READER | {Ability.WRITE_FINDINGS, Ability.REVEAL_SECRETS}
_TECHNICIAN = _DISPATCHER | {Ability.WRITE_RECORD, Ability.WRITE_TESTS}
_MANAGER = frozenset(Ability)

ROLES: Final[dict[str, frozenset[Ability]]] = {
    User.Role.READER: _READER,
    User.Role.DISPATCHER: _DISPATCHER,
    User.Role.TECHNICIAN: _TECHNICIAN,
    User.Role.MANAGER: _MANAGER,
}

FORMER_SCOPES: Final[dict[str, Ability]] = {"readings:write": Ability.WRITE_TESTS}
"""Scopes by their names in earlier releases, whose tokens still hold them."""

# A code is shown to a person, never to a program; the address of a calendar would outlive the token that made
# it, and show what the token was kept from
TOKEN_SCOPES: Final[tuple[Ability, ...]] = tuple(
    ability for ability in Ability if ability not in (Ability.REVEAL_SECRETS, Ability.CALENDARS)
)


def abilities_of(scopes: Iterable[str]) -> frozenset[Ability]:
    """What the scopes of a token stand for."""
    named = {ability.value: ability for ability in TOKEN_SCOPES} | FORMER_SCOPES
    return frozenset(named[scope] for scope in scopes if scope in named)
