"""The releases, oldest first: the code of each, and the migrations at which it left the database.

The migrations of a release are never edited afterwards: databases have them. From the first one on, each
release upgrades from the one before it. DEVELOPERS.md says how a release is cut."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path

_ROOT = Path(__file__).resolve().parents[2]
# A migration may keep its SQL in a package of this name, which is then as fixed as the migration
_SQL_PACKAGE = re.compile(r"^from (\w+(?:\.\w+)*\.sql_v\d+)\b", re.MULTILINE)


@dataclass(frozen=True)
class Release:
    version: str
    day: date
    commit: str
    """Whose code it is, in this repository's history."""
    heads: Mapping[str, str]
    """App: its last migration."""
    digest: str
    """Digest of our migrations up to the heads, as the function ``digest`` computes it."""


# 0.1.0 is not among them: it was never run, and no database upgrades from it
RELEASES: tuple[Release, ...] = (
    Release(
        version="0.2.0",
        day=date(2026, 11, 28),
        commit="679f649e465e9e55936c5c21ebe523f437f22914",
        heads={
            "auth": "0012_alter_user_first_name_max_length",
            "contenttypes": "0002_remove_content_type_name",
            "sessions": "0001_initial",
            "sites": "0005_rules",
            "zones": "0004_rules",
        },
        digest="c66c77b4294a9b4dc6db2c319c7a2508621d601b703d8ce228f1c4fc7fcc0b85",
    ),
)


def digest(migrations: Iterable[Path], root: Path = _ROOT) -> str:
    """SHA-256 of migrations and the SQL that they read, by path and content. ``migrations``: files below
    ``root``."""
    files = set(migrations)
    for migration in list(files):
        for package in _SQL_PACKAGE.findall(migration.read_text(encoding="utf-8")):
            files.update((root / package.replace(".", "/")).rglob("*.py"))
    whole = hashlib.sha256()
    for path in sorted(file.relative_to(root).as_posix() for file in files):
        content = hashlib.sha256((root / path).read_bytes()).hexdigest()
        whole.update(f"{path} {content}\n".encode())
    return whole.hexdigest()
