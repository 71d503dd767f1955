"""Runs and their points: the trees of cable that leave the blocks."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Lower

from sites.models import Basis, DatedFacts, DeviceModel, Named, Recorded, fields, value_with_basis


class Run(Named):
    """One field cable from a block to a chain, or tree, of devices."""

    class Kind(models.TextChoices):
        SELF_AMPLIFIED = "self_amplified", "self-amplified"
        CONSTANT_VOLTAGE = "constant_voltage", "constant voltage"
        LOW_IMPEDANCE = "low_impedance", "low impedance"

    block = fields.SiteKey("sites.Block", place=True, related_name="runs")
    name = fields.NameField(max_length=80)
    kind = fields.WordField(Kind, max_length=20)
    note = fields.NoteField()

    class Meta(Named.Meta):
        db_table = "run"
        indexes = [*Named.Meta.indexes, models.Index(fields=["kind", "id"], name="run_by_kind")]


class RunFacts(DatedFacts):
    """Dated facts of a run: its zone and output, one at a time, and what feeds it at its block."""

    pk = models.CompositePrimaryKey("run_id", "step")
    run = fields.SiteKey(Run, related_name="facts", db_index=False)
    zone = fields.SiteKey("zones.Zone", null=True)
    output = fields.SiteKey("sites.Output", null=True, help_text="Audio source of a self-amplified run.")
    supply = fields.SiteKey("sites.Supply", null=True, help_text="DC supply that feeds the run at its block.")
    amplifier = fields.SiteKey("sites.Amplifier", null=True)
    fuse_fitted = fields.FlagField(null=True, help_text="Own fuse in the negative leg; blank: unknown.")
    fuse_rating_a = fields.rating("A", 100)
    design_temperature_c = fields.temperature(
        "Of the warmest place on its route; blank: the site's.", null=True
    )

    class Meta:
        db_table = "run_facts"
        constraints = [
            models.CheckConstraint(
                condition=Q(fuse_rating_a__isnull=True) | Q(fuse_rating_a__isnull=False, fuse_fitted=True),
                name="run_facts_fuse_rating_of_a_fitted_fuse",
            ),
        ]


class Point(Recorded):
    """A node of a run's tree. Its ``rank`` puts parents before children, so a tree is a tree by construction:
    ``point_facts`` references (site, run, parent, parent's rank) and checks parent's rank < rank."""

    # The unique keys below begin with site and with run: on a table this long an index more is felt.
    site = fields.OfSite(db_constraint=False, db_index=False)
    run = fields.SiteKey(Run, related_name="points", db_index=False)
    rank = fields.QuantityField(
        minimum=-1e9,
        maximum=1e9,
        help_text="Order within the run; a point inserted between two lies between their ranks.",
    )
    name = fields.NameField(max_length=80)

    class Meta:
        db_table = "point"
        ordering = ["run_id", "rank"]
        constraints = [
            models.UniqueConstraint(fields=["site", "run", "id"], name="point_of_site_and_run"),
            models.UniqueConstraint(fields=["site", "run", "id", "rank"], name="point_of_site_run_and_rank"),
            models.UniqueConstraint(fields=["run", "rank"], name="point_rank_once_a_run"),
            models.UniqueConstraint("run", Lower("name"), name="point_name_once_a_run"),
        ]

    def __str__(self) -> str:
        return self.name


class PointFacts(DatedFacts):
    """What a point is, and the segment of cable to it from its parent. A splice carries no load: a removed
    speaker leaves one. An uncounted group stands for devices not counted yet, at the far end."""

    class Kind(models.IntegerChoices):
        SPLICE = 0, "splice"
        DEVICE = 1, "device"
        UNCOUNTED_GROUP = 2, "uncounted_group"

    class DeviceKind(models.IntegerChoices):
        """Needed where the model is unknown: the unknown band differs."""

        UNKNOWN = 0, "unknown"
        CEILING_SPEAKER = 1, "ceiling speaker"
        WALL_SPEAKER = 2, "wall speaker"
        HORN = 3, "horn"

    class SharePlace(models.IntegerChoices):
        """Where a share of a segment lies that was cut at a distance not recorded, seen from the block."""

        FIRST = 0, "first"
        MIDDLE = 1, "middle"
        LAST = 2, "last"
        ALONE = 3, "alone"

    # The facts of the segment from the parent, and those of them that say what cable it is
    SEGMENT: ClassVar = ("length_m", "length_basis", "cable_type", "dc_pairs", "negative_cut")
    CABLE: ClassVar = ("cable_type_id", "dc_pairs")
    # Those that follow where the segment is cut at a distance not recorded
    SHARE: ClassVar = ("length_share", "length_share_place")
    CURRENTS: ClassVar = ("speech_current_a", "idle_current_a")
    COUNTS: ClassVar = ("count_low", "count_likely", "count_high")
    # What a splice has none of
    LOADS: ClassVar = ("model", "device_kind", *CURRENTS, "tap_power_w")

    pk = models.CompositePrimaryKey("point_id", "step")
    run = fields.SiteKey(Run, db_index=False)
    point = fields.SiteKey(Point, related_name="facts", db_index=False)
    rank = fields.QuantityField(minimum=-1e9, maximum=1e9)
    parent = fields.SiteKey(
        Point, null=True, db_index=False, help_text="Blank: the segment comes from the block."
    )
    parent_rank = fields.QuantityField(minimum=-1e9, maximum=1e9, null=True)
    kind = fields.NumberedWordField(Kind, default=Kind.DEVICE)
    device_kind = fields.NumberedWordField(DeviceKind, default=DeviceKind.UNKNOWN)
    model = fields.SharedKey("sites.DeviceModel", null=True, db_index=False)
    count_low = fields.device_count()
    count_likely = fields.device_count()
    count_high = fields.device_count()
    place = fields.LineField(max_length=200, blank=True)
    # the segment from the parent
    length_m = fields.length()
    length_basis = fields.NumberedWordField(Basis, default=Basis.UNKNOWN)
    length_share = fields.share(
        "Of a segment that was cut at a distance not recorded: the likely share that this part is of it."
    )
    length_share_place = fields.NumberedWordField(
        SharePlace,
        null=True,
        help_text="Which part of it, from the block on; alone: the others were recorded otherwise since.",
    )
    cable_type = fields.SharedKey("sites.CableType", null=True, db_index=False, verbose_name="cable")
    dc_pairs = fields.pairs(
        null=True,
        verbose_name="number of pairs",
        help_text="Pairs paralleled for DC, or for a line; blank: unknown.",
    )
    negative_cut = fields.FlagField(
        default=False, help_text="The negative of this segment is cut: a section begins here."
    )
    # the load at the point
    current_basis = fields.NumberedWordField(Basis, default=Basis.MARKED)
    speech_current_a = fields.current("This device's own current, where known better than its model's.")
    idle_current_a = fields.current()
    tap_power_w = fields.tap(null=True, verbose_name="tap")
    tap_basis = fields.NumberedWordField(Basis, default=Basis.UNKNOWN)
    zone = fields.SiteKey(
        "zones.Zone",
        null=True,
        db_index=False,
        help_text="Its zone, where that is not the run's.",
    )
    feed_supply = fields.SiteKey(
        "sites.Supply",
        null=True,
        db_index=False,
        help_text="A supply that feeds the run here instead of at the block.",
    )

    class Meta:
        db_table = "point_facts"
        # Where a model is used, over all sites: a page of points at a time, in the order of their ids
        indexes = [
            models.Index(
                fields=["model", "point"], condition=Q(model__isnull=False), name="point_facts_by_model"
            ),
        ]
        constraints = [
            models.CheckConstraint(
                condition=Q(parent__isnull=True, parent_rank__isnull=True)
                | Q(parent__isnull=False, parent_rank__isnull=False, parent_rank__lt=F("rank")),
                name="point_facts_parent_comes_before",
            ),
            value_with_basis("length_m", "length_basis", "point_facts_length_and_basis"),
            models.CheckConstraint(
                condition=Q(length_share__isnull=True, length_share_place__isnull=True)
                | Q(length_share__isnull=False, length_share_place__isnull=False),
                name="point_facts_length_share_and_place",
            ),
            value_with_basis("tap_power_w", "tap_basis", "point_facts_tap_and_basis"),
            models.CheckConstraint(
                condition=Q(count_low__isnull=True, count_likely__isnull=True, count_high__isnull=True)
                | Q(
                    kind=2,
                    count_low__isnull=False,
                    count_likely__isnull=False,
                    count_high__isnull=False,
                    count_low__lte=F("count_likely"),
                    count_likely__lte=F("count_high"),
                ),
                name="point_facts_counts_of_an_uncounted_group",
            ),
            models.CheckConstraint(
                condition=~Q(kind=0)
                | Q(
                    device_kind=0,
                    model__isnull=True,
                    speech_current_a__isnull=True,
                    idle_current_a__isnull=True,
                    tap_power_w__isnull=True,
                ),
                name="point_facts_splice_is_bare",
            ),
        ]

    @property
    def current(self) -> DeviceModel | PointFacts | None:
        """What states the current of a device here: the point or its model; None: not recorded."""
        if self.current_basis == Basis.UNKNOWN:
            return None
        if self.speech_current_a is not None:
            return self
        return self.model if self.model is not None and self.model.states_current else None

    @property
    def speech_is_rule_of_thumb(self) -> bool:
        """Whether speech is taken as half of full output, which is all that the data sheet states."""
        marked = self.current_basis == Basis.MARKED and self.speech_current_a is None
        return marked and self.model is not None and self.model.speech_current_a is None
