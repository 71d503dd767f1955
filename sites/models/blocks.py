"""Termination blocks: where equipment and field cable meet. What lies on them is in
``zones.models.landings``."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from .dated import Placed


class Block(Placed):
    class Kind(models.TextChoices):
        SPLIT_66 = "66_split", "66-type, split: bridging clips"
        UNSPLIT_66 = "66_unsplit", "66-type, unsplit: no clips"
        TYPE_110 = "110", "110-type: isolated by lifting the cross-connect"
        SCREW = "screw", "screw strip"

    closet = models.ForeignKey(
        "sites.Closet", on_delete=models.PROTECT, related_name="blocks", db_constraint=False
    )
    name = models.CharField(max_length=80)
    kind = models.CharField(max_length=12, choices=Kind.choices)
    row_count = models.PositiveSmallIntegerField(default=50)
    note = models.TextField(blank=True)

    class Meta:
        db_table = "block"
        ordering = ["name", "id"]
        constraints = [
            models.UniqueConstraint(fields=["site", "id"], name="block_of_site"),
            models.UniqueConstraint(
                fields=["site", "name"], condition=Q(end_step__isnull=True), name="block_name_once_a_site"
            ),
            models.CheckConstraint(
                condition=Q(row_count__gte=1, row_count__lte=400), name="block_rows_1_to_400"
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def can_isolate(self) -> bool:
        """Whether a row's halves can be parted: by pulling its clip, or lifting its cross-connect."""
        return self.kind in (Block.Kind.SPLIT_66, Block.Kind.TYPE_110)
