"""Who may what: every operation of every route, with the ability that it needs.

Tests run each of them as every role and as a token with and without the scope, and hold the table against the
URLconf: an operation that is not listed here fails.
"""

from __future__ import annotations

from typing import Final

from api.conventions.permissions import AUTHENTICATED, PUBLIC
from sites.access.abilities import Ability

READ = Ability.READ_INVENTORY
WRITE = Ability.WRITE_INVENTORY
ADMIN = Ability.ADMIN

# (method, route) -> what it needs; routes as the URLconf has them, `{id}` for an id
TABLE: Final[dict[tuple[str, str], Ability | str]] = {
    ("GET", "/api/v1/schema"): PUBLIC,
    ("GET", "/api/v1/reference"): PUBLIC,
    ("GET", "/api/v1/problems"): PUBLIC,
    ("GET", "/api/v1/problems/{code}"): PUBLIC,
    ("GET", "/api/v1/search"): READ,
    ("GET", "/api/v1/customers"): READ,
    ("GET", "/api/v1/customers/{id}"): READ,
    ("POST", "/api/v1/customers"): ADMIN,
    ("PATCH", "/api/v1/customers/{id}"): ADMIN,
    ("GET", "/api/v1/contracts"): READ,
    ("GET", "/api/v1/contracts/{id}"): READ,
    ("POST", "/api/v1/contracts"): ADMIN,
    ("PATCH", "/api/v1/contracts/{id}"): ADMIN,
    ("GET", "/api/v1/coverages"): READ,
    ("GET", "/api/v1/coverages/{id}"): READ,
    ("POST", "/api/v1/coverages"): ADMIN,
    ("PATCH", "/api/v1/coverages/{id}"): ADMIN,
    ("DELETE", "/api/v1/coverages/{id}"): ADMIN,
    ("GET", "/api/v1/sites"): READ,
    ("GET", "/api/v1/sites/{id}"): READ,
    ("POST", "/api/v1/sites"): WRITE,
    ("PATCH", "/api/v1/sites/{id}"): WRITE,
    ("GET", "/api/v1/closets"): READ,
    ("GET", "/api/v1/closets/{id}"): READ,
    ("POST", "/api/v1/closets"): WRITE,
    ("PATCH", "/api/v1/closets/{id}"): WRITE,
    ("DELETE", "/api/v1/closets/{id}"): WRITE,
    ("GET", "/api/v1/contacts"): READ,
    ("GET", "/api/v1/contacts/{id}"): READ,
    ("POST", "/api/v1/contacts"): WRITE,
    ("PATCH", "/api/v1/contacts/{id}"): WRITE,
    ("DELETE", "/api/v1/contacts/{id}"): WRITE,
    ("GET", "/api/v1/device-models"): READ,
    ("GET", "/api/v1/device-models/{id}"): READ,
    ("POST", "/api/v1/device-models"): ADMIN,
    ("PATCH", "/api/v1/device-models/{id}"): ADMIN,
    ("GET", "/api/v1/cable-types"): READ,
    ("GET", "/api/v1/cable-types/{id}"): READ,
    ("POST", "/api/v1/cable-types"): ADMIN,
    ("PATCH", "/api/v1/cable-types/{id}"): ADMIN,
    ("GET", "/api/v1/zones"): READ,
    ("GET", "/api/v1/zones/{id}"): READ,
    ("POST", "/api/v1/zones"): WRITE,
    ("PATCH", "/api/v1/zones/{id}"): WRITE,
    ("DELETE", "/api/v1/zones/{id}"): WRITE,
    ("GET", "/api/v1/zones/{id}/load"): READ,
    ("GET", "/api/v1/zones/{id}/history"): READ,
    ("GET", "/api/v1/runs"): READ,
    ("GET", "/api/v1/runs/{id}"): READ,
    ("POST", "/api/v1/runs"): WRITE,
    ("PATCH", "/api/v1/runs/{id}"): WRITE,
    ("DELETE", "/api/v1/runs/{id}"): WRITE,
    ("POST", "/api/v1/runs/{id}/correct"): WRITE,
    ("GET", "/api/v1/points"): READ,
    ("GET", "/api/v1/points/{id}"): READ,
    ("POST", "/api/v1/points"): WRITE,
    ("POST", "/api/v1/points/insert"): WRITE,
    ("POST", "/api/v1/points/found"): WRITE,
    ("PATCH", "/api/v1/points/{id}"): WRITE,
    ("DELETE", "/api/v1/points/{id}"): WRITE,
    ("POST", "/api/v1/points/{id}/correct"): WRITE,
    ("GET", "/api/v1/change-sets"): READ,
    ("GET", "/api/v1/change-sets/{id}"): READ,
    ("POST", "/api/v1/change-sets"): WRITE,
    ("PATCH", "/api/v1/change-sets/{id}"): WRITE,
    ("POST", "/api/v1/change-sets/{id}/evaluate"): READ,
    ("POST", "/api/v1/change-sets/{id}/accept"): WRITE,
    ("POST", "/api/v1/change-sets/{id}/withdraw"): WRITE,
    ("GET", "/api/v1/operations"): READ,
    ("GET", "/api/v1/changes"): READ,
    ("GET", "/api/v1/changes/{id}"): READ,
}

__all__ = ["AUTHENTICATED", "TABLE"]
