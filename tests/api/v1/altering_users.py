"""Requests that add, alter and look at users, and what is said of a refused one."""

from __future__ import annotations

from typing import Any

from django.test import Client

from sites.models.access import User
from tests.api.conventions.test_problems import problem
from tests.api.v1.asking import etag_of

PASSWORD = "quiet lantern 7 quay"


def send(client: Client, address: str, body: dict[str, Any], **headers: str) -> Any:
    return client.post(f"/api/v1/{address}", body, content_type="application/json", headers=headers)


def alter(client: Client, user: User, body: dict[str, Any]) -> Any:
    """A PATCH in the version that is there now."""
    address = f"users/{user.pk}"
    return client.patch(
        f"/api/v1/{address}",
        body,
        content_type="application/json",
        headers={"If-Match": etag_of(client, address)},
    )


def pointers(answer: Any, status: int, code: str) -> dict[str, str]:
    """What is wrong, by its place."""
    return {error["pointer"]: error["detail"] for error in problem(answer, status, code)["errors"]}
