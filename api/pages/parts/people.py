"""People to call, as pages show them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from api.pages.addresses import dialled
from sites.models import Contact


@dataclass(frozen=True)
class Person:
    """href: blank where the number cannot be dialled as it is written."""

    role: str
    name: str
    phone: str
    href: str
    hours: str
    email: str
    note: str


def person_of(contact: Mapping[str, Any], role: str) -> Person:
    """contact: as the API answers it. role: of `Contact.Role`."""
    return Person(
        role=Contact.Role(role).label,
        name=contact["name"],
        phone=contact["phone"],
        href=dialled(contact["phone"]),
        hours=contact["hours"],
        email=contact["email"],
        note=contact.get("note", ""),
    )
