"""What the database refused, as a person can use it.

A named constraint is an invariant with a sentence (`sites.changes`); a database that is gone, or that undid
one of two transactions in each other's way, is a 503 and the same request may be sent again."""

from __future__ import annotations

from typing import Final

import structlog
from django.db import DatabaseError, DataError, IntegrityError, InterfaceError, OperationalError
from psycopg import errors as pg

from sites.changes import constraints

from .problems import CONFLICT, UNAVAILABLE, UNPROCESSABLE, Kind, Place, Problem

log = structlog.get_logger(__name__)

RETRY_AFTER_S: Final = 2
# Another row stands in the way (409); any other broken rule is about the values themselves (422)
_IN_THE_WAY: Final = (pg.UniqueViolation, pg.ExclusionViolation, pg.ForeignKeyViolation)


def problem_of(error: DatabaseError | InterfaceError) -> Problem | None:
    """The problem that `error` is to the one who asked; None for what is a fault of ours (a 500)."""
    if isinstance(error, OperationalError | InterfaceError):
        log.warning("database_unavailable", error=str(error))
        return Problem(
            UNAVAILABLE,
            "The database could not complete this just now; nothing was written.",
            headers={"Retry-After": str(RETRY_AFTER_S)},
        )
    if isinstance(error, IntegrityError):
        broken = constraints.problem_of(error)
        place = Place(broken.detail, code=broken.code, pointer=broken.pointer)
        return Problem(kind_of(error), broken.detail, errors=[place])
    if isinstance(error, DataError):
        return Problem(UNPROCESSABLE, "A value is out of the range that can be recorded.")
    return None


def kind_of(error: IntegrityError) -> Kind:
    """Whether a broken rule is a conflict with another row, or a value that cannot stand."""
    return CONFLICT if isinstance(error.__cause__, _IN_THE_WAY) else UNPROCESSABLE
