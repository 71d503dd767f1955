"""How a session leads to its user."""

from __future__ import annotations

from typing import Any

from django.contrib.auth.backends import ModelBackend
from django.contrib.postgres.expressions import ArraySubquery
from django.db.models import OuterRef

from sites.models.access import Grant, User


class WithGrants(ModelBackend):
    """Reads a user with the customers that are granted: every request asks for both."""

    def get_user(self, user_id: Any) -> User | None:
        grants = Grant.objects.filter(user=OuterRef("pk")).order_by().values("customer_id")
        user = User.objects.annotate(granted=ArraySubquery(grants)).filter(pk=user_id).first()
        return user if user is not None and self.user_can_authenticate(user) else None
