"""`ETag` is the version of the row that people edit; whoever changes it says in `If-Match` which one they
mean.

428 and 412 are decided before the body is looked at. The service that writes compares the version once more
under its lock, so that of two who both passed here only the first writes."""

from __future__ import annotations

import re
from typing import Any, Final

from rest_framework.request import Request

from .problems import BAD_REQUEST, PRECONDITION_REQUIRED, STALE_VERSION, Problem

_TAGS: Final = re.compile(r'\s*(?:(?:W/)?"[\x21\x23-\x7e\x80-\xff]*"\s*(?:,\s*|$))+')
_TAG: Final = re.compile(r'(W/)?"([\x21\x23-\x7e\x80-\xff]*)"')


def etag(version: int) -> str:
    return f'"{version}"'


def version_of(row: Any) -> int:
    """A row of a site's record is as new as the change set that last wrote it; others count their
    versions."""
    version: int = row.version if hasattr(row, "version") else row.change_set_id
    return version


def require_match(request: Request, version: int) -> None:
    """Raise 428 without `If-Match`, 412 unless it names `version` (strong comparison, RFC 9110 section
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
    if str(version) not in strong:
        raise stale(version)


def stale(version: int) -> Problem:
    """The 412: someone wrote it in the meantime; the present version is told."""
    return Problem(
        STALE_VERSION,
        f"This was changed in the meantime; its present version is {etag(version)}.",
        headers={"ETag": etag(version)},
    )
