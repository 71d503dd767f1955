"""What every row of the record has in common: its site, its writer, and the step from which it holds.

A *step* is one integer, day-major: ``days since 1970-01-01 * STEPS_A_DAY + order of acceptance within
the day`` (``sites.changes.steps``). Facts hold from their step until the next row of the same thing, half
open, so several changes of one day are in order. Plant is never deleted: it ends at a step.
"""

from __future__ import annotations

from django.db import models
from django.db.models import Func


class CurrentStep(Func):
    """The step of the change set that the transaction has named (``SET LOCAL zonebook.change_set``)."""

    function = "zonebook_step"
    template = "%(function)s()"
    output_field = models.BigIntegerField()


class CurrentChangeSet(Func):
    """The change set that the transaction has named."""

    function = "zonebook_change_set"
    template = "%(function)s()"
    output_field = models.BigIntegerField()


class Basis(models.IntegerChoices):
    """How a value came to be known; low, likely and high are derived from it. Blank is unknown, never
    zero."""

    UNKNOWN = 0, "unknown"
    GUESSED = 1, "guessed"
    DRAWING = 2, "drawing"
    MARKED = 3, "marked"
    MEASURED = 4, "measured"


class Recorded(models.Model):
    """A row of one site's record. ``change_set`` is the change set that last wrote the row, and so its
    version: the statement triggers refuse any other value, which is why the column needs no foreign key of
    its own."""

    site = models.ForeignKey("sites.Site", on_delete=models.PROTECT, related_name="+")
    change_set = models.ForeignKey(
        "sites.ChangeSet",
        on_delete=models.PROTECT,
        related_name="+",
        db_constraint=False,
        db_index=False,
        db_default=CurrentChangeSet(),
        editable=False,
    )

    class Meta:
        abstract = True


class Placed(Recorded):
    """A thing that stands on a site from a step until it ends; ``end_step`` null while it stands."""

    begin_step = models.BigIntegerField(db_default=CurrentStep(), editable=False)
    end_step = models.BigIntegerField(null=True, blank=True, editable=False)

    class Meta:
        abstract = True


class DatedFacts(Recorded):
    """One wide row of facts about a thing, holding from ``step`` until the thing's next row."""

    # No key of its own to the site: each fact's key to its thing (site, thing) already holds it there.
    site = models.ForeignKey("sites.Site", on_delete=models.PROTECT, related_name="+", db_constraint=False)
    step = models.BigIntegerField(db_default=CurrentStep(), editable=False)

    class Meta:
        abstract = True
