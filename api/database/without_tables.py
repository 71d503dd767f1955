"""Which applications have no tables."""

from __future__ import annotations

from typing import Any


class WithoutTables:
    """A database router. axes counts wrong passwords in the cache: Django would make its tables in every test
    database, though none is there in production."""

    def allow_migrate(self, _db: str, app_label: str, **_hints: Any) -> bool | None:
        return False if app_label == "axes" else None
