"""Runs and their points: the trees of cable that leave the blocks."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from sites.models import Basis, DatedFacts, Placed, Recorded


class Run(Placed):
    """One field cable from a block to a chain, or tree, of devices."""

    class Kind(models.TextChoices):
        SELF_AMPLIFIED = "self_amplified", "self-amplified"
        CONSTANT_VOLTAGE = "constant_voltage", "constant voltage"
        LOW_IMPEDANCE = "low_impedance", "low impedance"

    block = models.ForeignKey(
        "sites.Block", on_delete=models.PROTECT, related_name="runs", db_constraint=False
    )
    name = models.CharField(max_length=80)
    kind = models.CharField(max_length=20, choices=Kind.choices)
    note = models.TextField(blank=True)

    class Meta:
        db_table = "run"
        ordering = ["name", "id"]
        constraints = [
            models.UniqueConstraint(fields=["site", "id"], name="run_of_site"),
            models.UniqueConstraint(
                fields=["site", "name"], condition=Q(end_step__isnull=True), name="run_name_once_a_site"
            ),
        ]

    def __str__(self) -> str:
        return self.name


class RunFacts(DatedFacts):
    """One zone and one output at a time; what feeds the run at its block."""

    pk = models.CompositePrimaryKey("run_id", "step")
    run = models.ForeignKey(
        Run, on_delete=models.PROTECT, related_name="facts", db_constraint=False, db_index=False
    )
    zone = models.ForeignKey(
        "zones.Zone", on_delete=models.PROTECT, null=True, blank=True, related_name="+", db_constraint=False
    )
    output = models.ForeignKey(
        "sites.Output",
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="+",
        db_constraint=False,
        help_text="Audio source of a self-amplified run.",
    )
    supply = models.ForeignKey(
        "sites.Supply",
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="+",
        db_constraint=False,
        help_text="DC supply that feeds the run at its block.",
    )
    amplifier = models.ForeignKey(
        "sites.Amplifier",
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="+",
        db_constraint=False,
    )
    fuse_fitted = models.BooleanField(
        null=True, blank=True, help_text="Own fuse in the negative leg; blank: unknown."
    )
    fuse_rating_a = models.FloatField(null=True, blank=True)

    class Meta:
        db_table = "run_facts"
        constraints = [
            models.CheckConstraint(
                condition=Q(fuse_rating_a__isnull=True) | Q(fuse_rating_a__gt=0, fuse_fitted=True),
                name="run_facts_fuse_rating_of_a_fitted_fuse",
            ),
        ]


class Point(Recorded):
    """A node of a run's tree. Its ``rank`` puts parents before children, so a tree is a tree by construction:
    ``point_facts`` references (site, run, parent, parent's rank) and checks parent's rank < rank."""

    # The unique keys below begin with site and with run: on a table this long an index more is felt.
    site = models.ForeignKey(
        "sites.Site", on_delete=models.PROTECT, related_name="+", db_constraint=False, db_index=False
    )
    run = models.ForeignKey(
        Run, on_delete=models.PROTECT, related_name="points", db_constraint=False, db_index=False
    )
    rank = models.FloatField(
        help_text="Order within the run; a point inserted between two lies between their ranks."
    )
    name = models.CharField(max_length=80)

    class Meta:
        db_table = "point"
        ordering = ["run_id", "rank"]
        constraints = [
            models.UniqueConstraint(fields=["site", "run", "id"], name="point_of_site_and_run"),
            models.UniqueConstraint(fields=["site", "run", "id", "rank"], name="point_of_site_run_and_rank"),
            models.UniqueConstraint(fields=["run", "rank"], name="point_rank_once_a_run"),
            models.UniqueConstraint(fields=["run", "name"], name="point_name_once_a_run"),
        ]

    def __str__(self) -> str:
        return self.name


class PointFacts(DatedFacts):
    """What a point is, and the segment of cable to it from its parent. A splice carries no load: a removed
    speaker leaves one. An uncounted group stands for devices nobody has counted, at the far end."""

    class Kind(models.IntegerChoices):
        SPLICE = 0, "splice"
        DEVICE = 1, "device"
        UNCOUNTED_GROUP = 2, "uncounted group"

    class DeviceKind(models.IntegerChoices):
        """Needed where the model is unknown: the unknown band differs."""

        UNKNOWN = 0, "unknown"
        CEILING_SPEAKER = 1, "ceiling speaker"
        WALL_SPEAKER = 2, "wall speaker"
        HORN = 3, "horn"

    pk = models.CompositePrimaryKey("point_id", "step")
    run = models.ForeignKey(
        Run, on_delete=models.PROTECT, related_name="+", db_constraint=False, db_index=False
    )
    point = models.ForeignKey(
        Point, on_delete=models.PROTECT, related_name="facts", db_constraint=False, db_index=False
    )
    rank = models.FloatField()
    parent = models.ForeignKey(
        Point,
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="+",
        db_constraint=False,
        db_index=False,
        help_text="Blank: the segment comes from the block.",
    )
    parent_rank = models.FloatField(null=True, blank=True)
    kind = models.PositiveSmallIntegerField(choices=Kind.choices, default=Kind.DEVICE)
    device_kind = models.PositiveSmallIntegerField(choices=DeviceKind.choices, default=DeviceKind.UNKNOWN)
    model = models.ForeignKey(
        "sites.DeviceModel", on_delete=models.PROTECT, null=True, blank=True, related_name="+", db_index=False
    )
    count_low = models.PositiveSmallIntegerField(null=True, blank=True)
    count_likely = models.PositiveSmallIntegerField(null=True, blank=True)
    count_high = models.PositiveSmallIntegerField(null=True, blank=True)
    place = models.CharField(max_length=200, blank=True)
    # the segment from the parent
    length_m = models.FloatField(null=True, blank=True)
    length_basis = models.PositiveSmallIntegerField(choices=Basis.choices, default=Basis.UNKNOWN)
    cable_type = models.ForeignKey(
        "sites.CableType", on_delete=models.PROTECT, null=True, blank=True, related_name="+", db_index=False
    )
    dc_pairs = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="Pairs paralleled for DC, or for a line; blank: unknown."
    )
    negative_cut = models.BooleanField(
        default=False, help_text="The negative of this segment is cut: a section begins here."
    )
    # what hangs at the point
    current_basis = models.PositiveSmallIntegerField(choices=Basis.choices, default=Basis.MARKED)
    speech_current_a = models.FloatField(
        null=True, blank=True, help_text="This device's own current, where known better than its model's."
    )
    idle_current_a = models.FloatField(null=True, blank=True)
    tap_power_w = models.FloatField(null=True, blank=True)
    tap_basis = models.PositiveSmallIntegerField(choices=Basis.choices, default=Basis.UNKNOWN)
    zone = models.ForeignKey(
        "zones.Zone",
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="+",
        db_constraint=False,
        db_index=False,
        help_text="The zone it hangs in, where that is not the run's.",
    )
    feed_supply = models.ForeignKey(
        "sites.Supply",
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="+",
        db_constraint=False,
        db_index=False,
        help_text="A supply that feeds the run here instead of at the block.",
    )

    class Meta:
        db_table = "point_facts"
        constraints = [
            models.CheckConstraint(
                condition=Q(parent__isnull=True, parent_rank__isnull=True)
                | Q(parent__isnull=False, parent_rank__isnull=False, parent_rank__lt=F("rank")),
                name="point_facts_parent_comes_before",
            ),
            models.CheckConstraint(
                condition=Q(length_m__isnull=True, length_basis=Basis.UNKNOWN)
                | Q(length_m__gte=0, length_basis__gt=Basis.UNKNOWN, length_m__lte=100_000),
                name="point_facts_length_and_basis",
            ),
            models.CheckConstraint(
                condition=Q(tap_power_w__isnull=True, tap_basis=Basis.UNKNOWN)
                | Q(tap_power_w__gt=0, tap_basis__gt=Basis.UNKNOWN),
                name="point_facts_tap_and_basis",
            ),
            models.CheckConstraint(
                condition=~Q(kind=2)
                & Q(count_low__isnull=True, count_likely__isnull=True, count_high__isnull=True)
                | Q(
                    kind=2,
                    count_low__lte=F("count_likely"),
                    count_likely__lte=F("count_high"),
                    count_low__gte=0,
                ),
                name="point_facts_counts_of_an_uncounted_group",
            ),
            models.CheckConstraint(
                condition=Q(dc_pairs__isnull=True) | Q(dc_pairs__gte=1, dc_pairs__lte=25),
                name="point_facts_dc_pairs_1_to_25",
            ),
            models.CheckConstraint(
                condition=(Q(speech_current_a__isnull=True) | Q(speech_current_a__gte=0))
                & (Q(idle_current_a__isnull=True) | Q(idle_current_a__gte=0)),
                name="point_facts_currents_not_negative",
            ),
        ]
