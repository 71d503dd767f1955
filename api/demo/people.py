"""Users of the demo, one a role. Their passwords are generated once for a data folder, and printed."""

from __future__ import annotations

import json
import os
import secrets
from pathlib import Path

from sites.models import Closet, Customer, Secret
from sites.models.access import User
from sites.services.secrets import secret_add

PEOPLE = {
    User.Role.MANAGER: ("mara", "Mara", "Ellingsworth"),
    User.Role.DISPATCHER: ("dov", "Dov", "Tarrant"),
    User.Role.TECHNICIAN: ("tess", "Tess", "Quillan"),
    User.Role.READER: ("rune", "Rune", "Halvard"),
}
LOGINS_FILE = "demo-logins.json"
SITE, CLOSET, DOOR = "merrow-harbour", "MDF", "staff door"


def ensure_people(data: Path) -> dict[str, dict[str, str]]:
    """Username and password of the demo's users by role; creates the users where needed.

    The manager, dispatcher and technician see every customer, the reader only the first one.
    """
    file = data / LOGINS_FILE
    known: dict[str, dict[str, str]] = json.loads(file.read_text()) if file.exists() else {}
    logins: dict[str, dict[str, str]] = {}
    for role, (name, first, last) in PEOPLE.items():
        user, _ = User.objects.get_or_create(username=name, defaults={"first_name": first, "last_name": last})
        user.role = role
        user.all_customers = role != User.Role.READER
        password = known.get(role.value, {}).get("password") or secrets.token_urlsafe(9)
        if not user.check_password(password):
            user.set_password(password)
        user.save()
        if role == User.Role.READER and (first_customer := Customer.objects.order_by("pk").first()):
            user.grants.get_or_create(customer=first_customer)
        logins[role.value] = {"user": name, "password": password}
    data.mkdir(parents=True, exist_ok=True)
    with os.fdopen(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w") as stream:
        json.dump(logins, stream)
    _ensure_code(User.objects.get(username=PEOPLE[User.Role.MANAGER][0]))
    return logins


def _ensure_code(manager: User) -> None:
    """A door that has a code, for who wants to see how one is shown; files of the record never hold any."""
    closet = Closet.objects.filter(site__code=SITE, name=CLOSET).first()
    if closet is not None and not Secret.objects.filter(site=closet.site, label=DOOR).exists():
        code = str(1000 + secrets.randbelow(9000))
        secret_add(
            user=manager, site=closet.site, closet=closet, label=DOOR, code=code, kind=Secret.Kind.DOOR
        )
