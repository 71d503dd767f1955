"""Writes as a client sends them, right or wrong, with their reason and the version that was read."""

from __future__ import annotations

from typing import Any

from django.test import Client

RESOURCES = [
    "customers", "contracts", "coverages", "sites", "closets", "contacts", "catalogue/devices",
    "catalogue/cables", "instruments",
]  # fmt: skip
WHY = {"reason": "surveyed", "happened_on": "2026-11-24", "job_reference": "J-7"}


def post(client: Client, address: str, body: Any) -> Any:
    return client.post(f"/api/v1/{address}", body, content_type="application/json")


def patch(client: Client, address: str, body: Any, etag: str | None) -> Any:
    headers = {} if etag is None else {"If-Match": etag}
    return client.patch(f"/api/v1/{address}", body, content_type="application/json", headers=headers)


def delete(client: Client, address: str, body: Any, etag: str | None) -> Any:
    headers = {} if etag is None else {"If-Match": etag}
    return client.delete(f"/api/v1/{address}", body, content_type="application/json", headers=headers)
