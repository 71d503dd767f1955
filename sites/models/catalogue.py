"""The catalogue behind every device: ratings with units, cable types, and factors.

A blank rating is unknown; it never counts as zero. Stated ratings are exact; what a device really draws is
banded by the basis on the device itself.
"""

from __future__ import annotations

from django.db import models
from django.db.models.functions import Lower

from sites import fields

from .rows import Row


class Catalogued(Row):
    """A row that every site shares. ``change_set`` (of no site) last wrote it; the database counts
    ``version``."""

    change_set = fields.WriterKey()
    version = models.BigIntegerField(default=1, editable=False)

    class Meta:
        abstract = True


def _heading(column: str) -> fields.LineField:
    text = (
        f"Of the column {column}, in the table of power that a switch prints. Blank: none, or not recorded."
    )
    return fields.LineField(max_length=60, blank=True, default="", db_default="", help_text=text)


class DeviceModel(Catalogued):
    class Kind(models.TextChoices):
        CEILING_SPEAKER = "ceiling_speaker", "ceiling speaker"
        WALL_SPEAKER = "wall_speaker", "wall speaker"
        HORN = "horn", "horn"
        GATEWAY = "gateway", "gateway"
        NETWORK_SPEAKER = "network_speaker", "network speaker"
        NETWORK_AMPLIFIER = "network_amplifier", "network amplifier"
        AMPLIFIER = "amplifier", "amplifier"
        SUPPLY = "supply", "DC supply"
        SWITCH = "switch", "switch"

    class OutputClass(models.TextChoices):
        CLASS_1 = "class_1", "Class 1"
        CLASS_2 = "class_2", "Class 2 or limited power source"
        CLASS_3 = "class_3", "Class 3"
        UNMARKED = "unmarked", "no marking"

    name = fields.NameField(max_length=120)
    kind = fields.WordField(Kind, max_length=20)
    # self-amplified speakers and horns, at 24 V DC
    idle_current_a = fields.current("At 24 V DC, silent.")
    speech_current_a = fields.current("At speech; blank: half of full output.")
    full_output_current_a = fields.current("At full output.")
    idle_power_w = fields.power(500, "Only where the model states watts: it then draws constant power.")
    full_output_power_w = fields.power(500)
    minimum_voltage_v = fields.QuantityField(
        unit="V",
        minimum=0,
        maximum=120,
        null=True,
        verbose_name="lowest voltage",
        help_text="Lowest DC voltage at which it works.",
    )
    maximum_voltage_v = fields.rating(
        "V", 120, "Highest DC voltage that it tolerates.", verbose_name="highest voltage"
    )
    input_impedance_ohm = fields.rating("Ω", 10_000_000)
    input_sensitivity_v = fields.rating("V", 200)
    # speakers on lines
    taps_w = fields.ListField(
        fields.tap(), max_items=20, default=list, blank=True, help_text="Transformer taps."
    )
    nominal_impedance_ohm = fields.rating("Ω", 100_000, "Low-impedance speakers.")
    # networked endpoints
    output_count = fields.WholeField(
        minimum=0,
        maximum=64,
        null=True,
        verbose_name="number of outputs",
        help_text="Analog outputs of a gateway.",
    )
    output_impedance_ohm = fields.rating("Ω", 1_000_000)
    output_level_v = fields.rating("V", 200, "Unloaded output [V RMS].")
    output_speakers_max = fields.WholeField(
        minimum=0,
        maximum=1000,
        null=True,
        verbose_name="most speakers on an output",
        help_text="Speakers an output may feed.",
    )
    poe_class = fields.poe_class(verbose_name="PoE class")
    idle_poe_w = fields.power(100, verbose_name="power while idle")
    paging_poe_w = fields.power(100, verbose_name="power while paging")
    # sources
    rated_current_a = fields.rating("A", 1000, "Of a DC supply.")
    no_load_voltage_v = fields.rating("V", 120, verbose_name="no-load voltage")
    rated_load_voltage_v = fields.rating(
        "V",
        120,
        "At rated current: with the no-load voltage it gives the source's resistance.",
        verbose_name="voltage at rated load",
    )
    voltage_tolerance = fields.QuantityField(
        minimum=0,
        maximum=0.5,
        default=0.0,
        help_text="Fraction the source may lie below or above its voltage.",
    )
    lowest_voltage_v = fields.rating("V", 120, "Battery-backed: its voltage when the battery ends.")
    float_voltage_v = fields.rating("V", 120, "Battery-backed: its voltage while it charges the battery.")
    class_2_marked = fields.FlagField(
        null=True,
        verbose_name="Class 2 marking",
        help_text="Whether a supply is marked Class 2, or as a limited power source (LPS): read its label.",
    )
    rated_power_w = fields.rating("W", 10_000, "Of an amplifier.")
    line_voltages_v = fields.ListField(
        fields.line_voltage(),
        max_items=20,
        default=list,
        blank=True,
        help_text="Lines an amplifier can drive.",
    )
    minimum_impedance_ohm = fields.rating("Ω", 100_000, "Lowest load of an amplifier.")
    output_class = fields.WordField(
        OutputClass,
        max_length=12,
        null=True,
        verbose_name="wiring class marked at its outputs",
        help_text="For an amplifier: read its label. Blank: not recorded.",
    )
    # switches
    port_count = fields.port_count(null=True, help_text="Ports of a switch.")
    port_type = fields.port_type(
        "IEEE 802.3 type of its ports: 1 delivers 15.4 W, 2 30 W, 3 60 W, 4 90 W. Blank: not recorded."
    )
    power_supplies_max = fields.power_supplies(
        "Power supplies that a switch takes, a built-in one included.",
        verbose_name="full number of power supplies",
    )
    poe_budget_w = fields.power(10_000, "With all the power supplies it can have.", verbose_name="PoE budget")
    poe_budget_one_lost_w = fields.power(
        10_000,
        "With one fewer: its largest lost, or not fitted.",
        verbose_name="PoE budget with one supply lost",
    )
    group_heading = _heading("of the supply group")
    port_heading = _heading("of the port")
    watts_heading = _heading("of the watts delivered")
    note = fields.NoteField()

    class Meta:
        db_table = "device_model"
        ordering = ["name", "id"]
        constraints = [models.UniqueConstraint(Lower("name"), name="device_model_name_once")]

    def __str__(self) -> str:
        return self.name

    @property
    def states_current(self) -> bool:
        """Whether it states what it draws during a page, or at full output."""
        rated = (self.speech_current_a, self.full_output_current_a, self.full_output_power_w)
        return any(rating is not None for rating in rated)


class CableType(Catalogued):
    class Listing(models.TextChoices):
        COMMUNICATIONS = "communications", "communications cable"
        CLASS_2 = "class_2", "Class 2 cable"
        CLASS_3 = "class_3", "Class 3 cable"
        POWER = "power", "cable of a power wiring method"

    name = fields.NameField(max_length=80)
    gauge_awg = fields.WholeField(unit="AWG", minimum=10, maximum=30, null=True)
    pair_count = fields.WholeField(minimum=1, maximum=100, default=4)
    category = fields.FlagField(
        default=True, help_text="Category cable: its high resistance is nominal × 1.114."
    )
    conductor_rating_a = fields.rating("A", 100)
    plenum = fields.FlagField(null=True)
    stranded = fields.FlagField(
        null=True, help_text="Whether its conductors are stranded. Blank: category cable is solid."
    )
    listing = fields.WordField(
        Listing,
        max_length=20,
        null=True,
        help_text="What its jacket says it is listed as. Blank: category cable is communications cable.",
    )
    conductor_colours = fields.LineField(
        max_length=60,
        blank=True,
        default="",
        db_default="",
        help_text="For a two-conductor cable: the first, a comma, the second. Pairs have the 25-pair code.",
    )

    class Meta:
        db_table = "cable_type"
        ordering = ["name", "id"]
        constraints = [models.UniqueConstraint(Lower("name"), name="cable_type_name_once")]

    def __str__(self) -> str:
        return self.name


class Factor(Catalogued):
    """A factor (band, loading fraction, threshold) that differs from the default in
    ``zones.electrical.bands``. No channel changes one. Where the service ``factor_set`` does, every site
    is computed again, in the bulk lane."""

    name = fields.NameField(max_length=80)
    value = fields.QuantityField(minimum=0, maximum=10_000)

    class Meta:
        db_table = "factor"
        constraints = [models.UniqueConstraint(fields=["name"], name="factor_name_once")]
