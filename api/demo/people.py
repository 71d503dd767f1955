"""Users of the demo, one a role. Their passwords are generated once for a data folder, and printed."""

from __future__ import annotations

import json
import os
import secrets
from pathlib import Path

from sites.models import Customer
from sites.models.access import User

PEOPLE = {
    User.Role.MANAGER: ("mara", "Mara", "Ellingsworth"),
    User.Role.DISPATCHER: ("dov", "Dov", "Tarrant"),
    User.Role.TECHNICIAN: ("tess", "Tess", "Quillan"),
    User.Role.READER: ("rune", "Rune", "Halvard"),
}
LOGINS_FILE = "demo-logins.json"


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
    return logins
