"""`ETag` is the version of the row that people edit; whoever changes it says in `If-Match` which one they
mean.

428 and 412 are decided before the body is looked at. The service that writes compares the version once more
under its lock, so that of two who both passed here only the first writes."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final

from django.db.models import Model
from rest_framework.request import Request

from sites.changes.making import version_of

from .problems import BAD_REQUEST, PRECONDITION_REQUIRED, STALE_VERSION, Problem

_TAGS: Final = re.compile(r'\s*(?:(?:W/)?"[\x21\x23-\x7e\x80-\xff]*"\s*(?:,\s*|$))+')
_TAG: Final = re.compile(r'(W/)?("[\x21\x23-\x7e\x80-\xff]*")')


Versions = Mapping[str, int]
"""What a thing consists of, each row with its version, under the keys that operations expect versions by
(``supply/12``, and ``supply_facts/12`` for the last facts of it)."""


def versions_of(row: Model) -> Versions:
    """The version of a thing that is one row."""
    return {f"{row._meta.db_table}/{row.pk}": version_of(row)}


def etag(versions: Versions) -> str:
    """The versions as an entity tag, quotes included."""
    return f'"{"-".join(map(str, versions.values()))}"'


def require_match(request: Request, versions: Versions) -> None:
    """Raise 428 without `If-Match`, 412 unless it names these versions (strong comparison, RFC 9110 section
    13.1.1)."""
    given = request.headers.get("If-Match")
    if given is None:
        raise Problem(
            PRECONDITION_REQUIRED, "Read this first, and send the ETag that came with it in If-Match."
        )
    if given.strip() == "*":
        return
    if not _TAGS.fullmatch(given):
        raise Problem(BAD_REQUEST, 'If-Match must hold an entity tag in quotes, as in "41".')
    strong = {tag for weak, tag in _TAG.findall(given) if not weak}
    if etag(versions) not in strong:
        raise stale(versions)


def stale(versions: Versions) -> Problem:
    """The 412: someone wrote it in the meantime; the present version is told."""
    return Problem(
        STALE_VERSION,
        f"This was changed in the meantime; its present version is {etag(versions)}.",
        headers={"ETag": etag(versions)},
    )
