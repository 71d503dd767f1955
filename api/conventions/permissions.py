"""The default permission: authenticated, and holding the ability that the view's spec names for what is
asked."""

from __future__ import annotations

from typing import Final, Protocol

from rest_framework.permissions import BasePermission
from rest_framework.request import Request

from sites.access.abilities import Ability
from sites.access.selectors import Principal

# For the few addresses that tell everyone the same: the schema, the reference page, the kinds of problems
PUBLIC: Final = "public"
# For whoever is logged in, whatever their role and scopes
AUTHENTICATED: Final = "authenticated"

Needed = Ability | str


class _View(Protocol):
    principal: Principal

    def ability_needed(self) -> Needed | None: ...


class HoldsAbility(BasePermission):
    def has_permission(self, request: Request, view: _View) -> bool:  # type: ignore[override]
        needed = view.ability_needed()
        if needed == PUBLIC:
            return True
        if not request.user.is_authenticated:
            return False
        if isinstance(needed, Ability):
            view.principal.require(needed)
        return True  # also where there is no such method: a 405 follows
