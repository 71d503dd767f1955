"""How a closet is reached on a day: whom to call, what codes there are, and under which contract one goes."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from dataclasses import dataclass, fields
from typing import Final, NamedTuple

from sites.models import Closet, Contact, Contract, Coverage, Secret
from sites.once import once
from sites.selectors import Part, read_together
from sites.wording import capital, counted, listed, within_building

from .shown import shown


@dataclass(frozen=True)
class ContactHere:
    """of_closet: of this closet, rather than of the whole site."""

    id: int
    name: str
    phone: str
    email: str
    hours: str
    of_closet: bool
    note: str


@dataclass(frozen=True)
class Contacts:
    """By role; those of the closet before those of the site."""

    site: tuple[ContactHere, ...]
    out_of_hours: tuple[ContactHere, ...]
    network: tuple[ContactHere, ...]
    key_holder: tuple[ContactHere, ...]


@dataclass(frozen=True)
class Codes:
    """How many codes are kept for a closet, never what they are."""

    door: int
    alarm: int
    other: int
    sentence: str


@dataclass(frozen=True)
class Cover:
    """The contract that covers the site on the day; where none does, the one that last did, or next will."""

    covered: bool
    contract: Contract | None
    first_day: dt.date | None
    end_day: dt.date | None
    sentence: str


@dataclass(frozen=True)
class Reach:
    """induction, permits, dangers: what is written of the site, then of the closet."""

    address: str
    building: str
    floor: str
    room: str
    directions: str
    opened_by: str
    opening_hours: str
    key_location: str
    codes: Codes
    escort: str
    induction: tuple[str, ...]
    permits: tuple[str, ...]
    protective_equipment: str
    other_tenants: str
    dangers: tuple[str, ...]
    ladder_m: float | None
    out_of_hours_phone: str
    contacts: Contacts
    note: tuple[str, ...]

    @property
    def place(self) -> str:
        return within_building(self.building, self.floor, self.room)

    @property
    def unknown(self) -> tuple[str, ...]:
        """What one must know before going and is not recorded, in sentences."""
        asked = (
            (self.address, "The address of the site is not recorded."),
            (self.place or self.directions, "The location of the closet is not recorded."),
            (self.opened_by or self.contacts.key_holder, "Who opens it is not recorded."),
            (self.opening_hours, "When it can be opened is not recorded."),
            (self.key_location or self.codes.door, "The location of the key is not recorded."),
            (self.contacts.site, "No site contact is recorded."),
            (self.contacts.network, "No contact for the customer's network is recorded."),
            (
                self.out_of_hours_phone or self.contacts.out_of_hours,
                "No number to call out of hours is recorded.",
            ),
        )
        return tuple(sentence for known, sentence in asked if not known)


class _Kept(NamedTuple):
    """What is kept of a closet and of its whole site: whom to call, by name; codes; contracts, by day."""

    contacts: list[Contact]
    codes: list[Secret]
    covers: list[Coverage]


_CONTACTS: Final = Part(
    {"contact": Contact},
    "FROM contact WHERE site_id = %(site)s AND (closet_id = %(closet)s OR closet_id IS NULL) "
    "ORDER BY name, id",
)
_CODES: Final = Part(
    {"secret": Secret},
    "FROM secret WHERE site_id = %(site)s AND (closet_id = %(closet)s OR closet_id IS NULL) "
    "AND removed_at IS NULL",
)
_COVERS: Final = Part(
    {"coverage": Coverage, "contract": Contract},
    "FROM coverage JOIN contract ON contract.id = contract_id WHERE site_id = %(site)s ORDER BY days",
)


@once
def _kept(site_id: int, closet_id: int) -> _Kept:
    """One query."""
    contacts, codes, covers = read_together(
        [_CONTACTS, _CODES, _COVERS], {"site": site_id, "closet": closet_id}
    )
    for cover, contract in covers:
        cover.contract = contract
    return _Kept([one for (one,) in contacts], [one for (one,) in codes], [one for one, _ in covers])


def contacts_of(site_id: int, closet_id: int) -> list[Contact]:
    """The contacts of a closet, and those of its whole site, by name. One query."""
    return _kept(site_id, closet_id).contacts


def reach_of(closet: Closet) -> Reach:
    """One query, which `cover_of` shares; the site must be there with the closet."""
    site = closet.site

    def both(name: str) -> tuple[str, ...]:
        return tuple(text for text in (getattr(site, name), getattr(closet, name)) if text)

    return shown(
        Reach,
        closet,
        site,
        address=", ".join(word for word in (site.address, site.city, site.postal_code) if word),
        codes=_codes(closet),
        contacts=_contacts(closet),
        **{name: both(name) for name in ("induction", "permits", "dangers", "note")},
    )


def _contacts(closet: Closet) -> Contacts:
    ordered = sorted(contacts_of(closet.site_id, closet.pk), key=lambda row: row.closet_id is None)

    def of(role: str) -> tuple[ContactHere, ...]:
        return tuple(
            shown(ContactHere, row, of_closet=row.closet_id is not None)
            for row in ordered
            if row.role == role
        )

    return Contacts(**{field.name: of(field.name) for field in fields(Contacts)})


def _codes(closet: Closet) -> Codes:
    counts = Counter(one.kind for one in _kept(closet.site_id, closet.pk).codes)
    door, alarm, other = (counts[kind] for kind in (Secret.Kind.DOOR, Secret.Kind.ALARM, Secret.Kind.OTHER))
    kept = [
        counted(count, one)
        for count, one in ((door, "door code"), (alarm, "alarm code"), (other, "other code"))
        if count
    ]
    sentence = (
        f"{capital(listed(kept))} {'is' if door + alarm + other == 1 else 'are'} kept for this closet. "
        "None is ever written on a sheet: a user who may see codes asks for one at a time, with a reason, "
        "and each time is logged."
        if kept
        else "No code is kept for this closet."
    )
    return Codes(door, alarm, other, sentence)


def cover_of(closet: Closet, day: dt.date) -> Cover:
    """Of its site. One query, which `reach_of` shares."""
    last = coming = None
    for row in _kept(closet.site_id, closet.pk).covers:
        if day in row.days:
            return _cover(row, _covered(row.contract, row.days.upper), covered=True)
        if row.days.upper is not None and row.days.upper <= day:
            last = row
        elif coming is None:
            coming = row
    if last is not None:
        last_day = last.days.upper - dt.timedelta(days=1)
        after = f"{last.contract.reference} covered it until {last_day}."
        return _cover(last, f"Not under contract on {day}: {after}", covered=False)
    if coming is not None:
        after = f"{coming.contract.reference} covers it from {coming.days.lower} on."
        return _cover(coming, f"Not under contract on {day}: {after}", covered=False)
    return Cover(False, None, None, None, f"Not under contract on {day}.")


def _cover(row: Coverage, sentence: str, *, covered: bool) -> Cover:
    return Cover(covered, row.contract, row.days.lower, row.days.upper, sentence)


def _covered(contract: Contract, end_day: dt.date | None) -> str:
    hours = contract.response_hours
    response = "no response time is agreed" if hours is None else f"respond within {counted(hours, 'hour')}"
    until = "" if end_day is None else f" Covered until {end_day - dt.timedelta(days=1)}."
    return f"Under contract {contract.reference}: {response}.{until}"
