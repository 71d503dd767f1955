"""What lies on the blocks: conductors on rows, and the clips between a row's halves."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from sites.models import DatedFacts, Placed, fields


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
        DC_POSITIVE = "dc_positive", "DC positive"
        DC_NEGATIVE = "dc_negative", "DC negative"
        LINE_HOT = "line_hot", "line hot"
        LINE_COMMON = "line_common", "line common"
        SPARE = "spare", "spare"

    block = fields.SiteKey("sites.Block", related_name="landings")
    row = fields.block_row()
    side = fields.WordField(Side, max_length=10)
    run = fields.SiteKey("zones.Run", null=True, related_name="landings")
    output = fields.SiteKey("sites.Output", null=True)
    supply = fields.SiteKey("sites.Supply", null=True)
    amplifier = fields.SiteKey("sites.Amplifier", null=True)
    pair = fields.pairs(help_text="Pair number in its cable, from 1.")
    conductor = fields.WordField(Conductor)
    carries = fields.WordField(Carries)

    class Meta:
        db_table = "landing"
        constraints = [
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
    block = fields.SiteKey("sites.Block", related_name="clips", db_index=False)
    row = fields.block_row()
    is_in = fields.FlagField()

    class Meta:
        db_table = "clip_facts"
