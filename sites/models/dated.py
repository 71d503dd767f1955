"""What every row of the record has in common: its site, its writer, and the step from which it holds.

A *step* is one integer, day-major: ``days since 1970-01-01 * STEPS_A_DAY + order of acceptance within
the day`` (``sites.changes.steps``). Facts hold from their step until the next row of the same thing, half
open, so several changes of one day are in order. Plant is never deleted: it ends at a step.
"""

from __future__ import annotations

import functools
from typing import Any, cast

from django.db import models
from django.db.models import Q
from django.db.models.functions import Lower

from sites import fields

from .rows import Row


class Basis(models.IntegerChoices):
    """How a value came to be known; low, likely and high are derived from it. Blank is unknown, never
    zero."""

    UNKNOWN = 0, "unknown"
    GUESSED = 1, "guessed"
    DRAWING = 2, "drawing"
    MARKED = 3, "marked"
    MEASURED = 4, "measured"


class Recorded(Row):
    """A row of one site's record, and the change set that last wrote it."""

    site = fields.OfSite()
    change_set = fields.WriterKey()

    class Meta:
        abstract = True


class Placed(Recorded):
    """A thing that stands on a site from a step until it ends; ``end_step`` null while it stands."""

    begin_step = fields.StepField()
    end_step = fields.StepField(null=True)

    class Meta:
        abstract = True


def standing_once(*expressions: Any, name: str) -> models.UniqueConstraint:
    """A constraint: no two standing things share these values. A thing that has ended frees its name."""
    return models.UniqueConstraint(*expressions, condition=Q(end_step__isnull=True), name=name)


def value_with_basis(value: str, basis: str, name: str) -> models.CheckConstraint:
    """A value is known somehow, and one that is not recorded is unknown."""
    return models.CheckConstraint(
        condition=Q(**{f"{value}__isnull": True, basis: Basis.UNKNOWN})
        | Q(**{f"{value}__isnull": False, f"{basis}__gt": Basis.UNKNOWN}),
        name=name,
    )


class Named(Placed):
    """A thing with a name that one thing of its kind on the site has at a time. Its table is called as its
    class."""

    name: Any

    class Meta:
        abstract = True
        ordering = ["name", "id"]
        constraints = [
            models.UniqueConstraint(fields=["site", "id"], name="%(class)s_of_site"),
            standing_once("site", Lower("name"), name="%(class)s_name_once_a_site"),
        ]
        # Lists over all sites, in the order of names and of one name
        indexes = [models.Index(Lower("name"), "id", name="%(class)s_by_name")]

    def __str__(self) -> str:
        return str(self.name)


class DatedFacts(Recorded):
    """One wide row of facts about a thing, holding from ``step`` until the thing's next row."""

    # No key of its own to the site: each fact's key to its thing (site, thing) already holds it there.
    site = fields.OfSite(db_constraint=False)
    step = fields.StepField()

    class Meta:
        abstract = True


@functools.cache
def thing_fields(facts: type[DatedFacts]) -> tuple[str, ...]:
    """The fields that say whose facts these are: the key but for the step (``supply_id``; ``block_id``,
    ``row``)."""
    key = cast(models.CompositePrimaryKey, facts._meta.pk)
    return tuple(name for name in key.field_names if name != "step")
