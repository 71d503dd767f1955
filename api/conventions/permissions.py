"""The default permission: authenticated, and holding the ability that the view declares for what is asked."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from django.core.exceptions import ImproperlyConfigured
from rest_framework.permissions import BasePermission
from rest_framework.request import Request

from sites.access.abilities import Ability

if TYPE_CHECKING:
    from .views import Door

# For the few addresses that tell everyone the same: the schema, the reference page, the kinds of problems
PUBLIC: Final = "public"
# For what everyone who is logged in may ask, whatever their role and scopes
AUTHENTICATED: Final = "authenticated"

Needed = Ability | str


class HoldsAbility(BasePermission):
    """A view without a declaration is a mistake of ours and answers nobody."""

    def has_permission(self, request: Request, view: Door) -> bool:  # type: ignore[override]
        needed = view.ability_needed()
        if needed == PUBLIC:
            return True
        if not request.user.is_authenticated:
            return False
        if needed is None or needed == AUTHENTICATED:  # None: no such method here, a 405 follows
            return True
        if not isinstance(needed, Ability):
            raise ImproperlyConfigured(f"{view.__class__.__name__} declares {needed!r}, which is no ability.")
        view.principal.require(needed)
        return True
