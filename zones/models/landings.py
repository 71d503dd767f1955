"""What lies on the blocks: conductors on rows, and the clips between a row's halves."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from sites.models import DatedFacts, Placed


class Landing(Placed):
    """One conductor on one row and side of a block. Two on one clip is a fault that exists: recorded and
    flagged.

    ``carries`` on the equipment side is what the equipment puts on the row; on the field side, what the
    devices at the far end take from it. Joined by the clip, the two must agree: if they are each other's
    opposite, the pair is reversed.
    """

    class Side(models.TextChoices):
        EQUIPMENT = "equipment", "equipment"
        FIELD = "field", "field"

    class Conductor(models.TextChoices):
        FIRST = "first", "first of the pair (white, red, black, yellow or violet)"
        SECOND = "second", "second of the pair (blue, orange, green, brown or slate)"

    class Carries(models.TextChoices):
        AUDIO_POSITIVE = "audio_positive", "audio +"
        AUDIO_NEGATIVE = "audio_negative", "audio −"
        DC_POSITIVE = "dc_positive", "DC ground (positive)"
        DC_NEGATIVE = "dc_negative", "DC −24 V"
        LINE_HOT = "line_hot", "line hot"
        LINE_COMMON = "line_common", "line common"
        SPARE = "spare", "spare"

    block = models.ForeignKey(
        "sites.Block", on_delete=models.PROTECT, related_name="landings", db_constraint=False
    )
    row = models.PositiveSmallIntegerField()
    side = models.CharField(max_length=10, choices=Side.choices)
    run = models.ForeignKey(
        "zones.Run",
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="landings",
        db_constraint=False,
    )
    output = models.ForeignKey(
        "sites.Output", on_delete=models.PROTECT, null=True, blank=True, related_name="+", db_constraint=False
    )
    supply = models.ForeignKey(
        "sites.Supply", on_delete=models.PROTECT, null=True, blank=True, related_name="+", db_constraint=False
    )
    amplifier = models.ForeignKey(
        "sites.Amplifier",
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="+",
        db_constraint=False,
    )
    pair = models.PositiveSmallIntegerField(help_text="Pair number in its cable, from 1.")
    conductor = models.CharField(max_length=6, choices=Conductor.choices)
    carries = models.CharField(max_length=14, choices=Carries.choices)

    class Meta:
        db_table = "landing"
        constraints = [
            models.CheckConstraint(condition=Q(row__gte=1), name="landing_row_from_1"),
            models.CheckConstraint(condition=Q(pair__gte=1, pair__lte=25), name="landing_pair_1_to_25"),
            models.CheckConstraint(
                condition=Q(
                    side="field",
                    run__isnull=False,
                    output__isnull=True,
                    supply__isnull=True,
                    amplifier__isnull=True,
                )
                | (
                    Q(side="equipment", run__isnull=True)
                    & (
                        Q(output__isnull=False, supply__isnull=True, amplifier__isnull=True)
                        | Q(output__isnull=True, supply__isnull=False, amplifier__isnull=True)
                        | Q(output__isnull=True, supply__isnull=True, amplifier__isnull=False)
                    )
                ),
                name="landing_one_thing_on_its_side",
            ),
        ]
        indexes = [models.Index(fields=["block", "row"], name="landing_by_row")]


class ClipFacts(DatedFacts):
    """Whether the bridging clip of a row is in. A row without a row here has its clip in."""

    pk = models.CompositePrimaryKey("block_id", "row", "step")
    block = models.ForeignKey(
        "sites.Block", on_delete=models.PROTECT, related_name="clips", db_constraint=False, db_index=False
    )
    row = models.PositiveSmallIntegerField()
    is_in = models.BooleanField()

    class Meta:
        db_table = "clip_facts"
