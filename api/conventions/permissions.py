"""The default permission: authenticated, and holding the ability that the view's spec names for what is
asked."""

from __future__ import annotations

from typing import Any, Final, Protocol

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
    @property
    def operation(self) -> str: ...

    @property
    def spec(self) -> Any: ...

    @property
    def principal(self) -> Principal: ...


class HoldsAbility(BasePermission):
    def has_permission(self, request: Request, view: _View) -> bool:  # type: ignore[override]
        needed = view.spec.ability if view.operation else None  # None: no such method, so a 405 follows
        if needed == PUBLIC:
            return True
        if not request.user.is_authenticated:
            return False
        if isinstance(needed, Ability):
            view.principal.require(needed)
        return True
