"""What the data network feeds: switches, their ports, networked audio devices and their analog outputs."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from .dated import Basis, DatedFacts, Placed


class Switch(Placed):
    class Owner(models.TextChoices):
        INTEGRATOR = "integrator", "integrator"
        CUSTOMER = "customer", "customer: do not touch"
        UNKNOWN = "unknown", "unknown: do not touch"

    closet = models.ForeignKey(
        "sites.Closet", on_delete=models.PROTECT, related_name="switches", db_constraint=False
    )
    name = models.CharField(max_length=80)
    owner = models.CharField(max_length=12, choices=Owner.choices, default=Owner.UNKNOWN)
    serial = models.CharField(max_length=80, blank=True)
    note = models.TextField(blank=True)

    class Meta:
        db_table = "switch"
        ordering = ["name", "id"]
        constraints = [
            models.UniqueConstraint(fields=["site", "id"], name="switch_of_site"),
            models.UniqueConstraint(
                fields=["site", "name"], condition=Q(end_step__isnull=True), name="switch_name_once_a_site"
            ),
        ]

    def __str__(self) -> str:
        return self.name


class SwitchFacts(DatedFacts):
    pk = models.CompositePrimaryKey("switch_id", "step")
    switch = models.ForeignKey(
        Switch, on_delete=models.PROTECT, related_name="facts", db_constraint=False, db_index=False
    )
    model = models.ForeignKey(
        "sites.DeviceModel", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    power_supply_count = models.PositiveSmallIntegerField(
        null=True,
        blank=True,
        help_text="Power supplies fitted; with one, losing it loses all. Blank: unknown.",
    )
    usage_threshold = models.FloatField(
        null=True, blank=True, help_text="Fraction 0.01–0.99 (RFC 3621); blank: 0.8."
    )

    class Meta:
        db_table = "switch_facts"
        constraints = [
            models.CheckConstraint(
                condition=Q(usage_threshold__isnull=True)
                | Q(usage_threshold__gte=0.01, usage_threshold__lte=0.99),
                name="switch_facts_usage_threshold_1_to_99_percent",
            ),
        ]


class SwitchPort(Placed):
    switch = models.ForeignKey(Switch, on_delete=models.PROTECT, related_name="ports", db_constraint=False)
    number = models.PositiveSmallIntegerField()

    class Meta:
        db_table = "switch_port"
        ordering = ["switch_id", "number"]
        constraints = [
            models.UniqueConstraint(fields=["site", "id"], name="switch_port_of_site"),
            models.UniqueConstraint(
                fields=["switch", "number"],
                condition=Q(end_step__isnull=True),
                name="switch_port_number_once_a_switch",
            ),
        ]


class SwitchPortFacts(DatedFacts):
    """Priority, and any load on the port that is not one of our endpoints (a camera, a telephone)."""

    class Priority(models.TextChoices):
        CRITICAL = "critical", "critical"
        HIGH = "high", "high"
        LOW = "low", "low"

    pk = models.CompositePrimaryKey("port_id", "step")
    port = models.ForeignKey(
        SwitchPort, on_delete=models.PROTECT, related_name="facts", db_constraint=False, db_index=False
    )
    priority = models.CharField(max_length=10, choices=Priority.choices, default=Priority.LOW)
    other_load = models.CharField(
        max_length=120, blank=True, help_text="What else hangs on it; blank: nothing else."
    )
    other_load_class = models.PositiveSmallIntegerField(null=True, blank=True)
    other_load_power_w = models.FloatField(
        null=True, blank=True, help_text="Allocated power where it is known."
    )

    class Meta:
        db_table = "switch_port_facts"
        constraints = [
            models.CheckConstraint(
                condition=Q(other_load_class__isnull=True) | Q(other_load_class__lte=8),
                name="switch_port_facts_class_0_to_8",
            ),
            models.CheckConstraint(
                condition=Q(other_load_power_w__isnull=True) | Q(other_load_power_w__gte=0),
                name="switch_port_facts_power_not_negative",
            ),
        ]


class Endpoint(Placed):
    """A networked audio device: gateway, network speaker or network amplifier."""

    closet = models.ForeignKey(
        "sites.Closet",
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="endpoints",
        db_constraint=False,
    )
    name = models.CharField(max_length=80)
    place = models.CharField(
        max_length=200, blank=True, help_text="Where to find it when it is not in a closet."
    )
    serial = models.CharField(max_length=80, blank=True)
    mac = models.CharField(max_length=17, blank=True)
    firmware = models.CharField(max_length=60, blank=True)
    configuration_backup = models.CharField(max_length=200, blank=True)
    warranty_end = models.DateField(null=True, blank=True)
    note = models.TextField(blank=True)

    class Meta:
        db_table = "endpoint"
        ordering = ["name", "id"]
        constraints = [
            models.UniqueConstraint(fields=["site", "id"], name="endpoint_of_site"),
            models.UniqueConstraint(
                fields=["site", "name"], condition=Q(end_step__isnull=True), name="endpoint_name_once_a_site"
            ),
        ]

    def __str__(self) -> str:
        return self.name


class EndpointFacts(DatedFacts):
    class PowerSource(models.TextChoices):
        PORT = "port", "PoE from a switch port"
        INJECTOR = "injector", "midspan injector"
        ADAPTER = "adapter", "plug-in adapter"
        MAINS = "mains", "mains"
        UNKNOWN = "unknown", "unknown"

    pk = models.CompositePrimaryKey("endpoint_id", "step")
    endpoint = models.ForeignKey(
        Endpoint, on_delete=models.PROTECT, related_name="facts", db_constraint=False, db_index=False
    )
    model = models.ForeignKey(
        "sites.DeviceModel", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    power_source = models.CharField(max_length=10, choices=PowerSource.choices, default=PowerSource.UNKNOWN)
    port = models.ForeignKey(
        SwitchPort, on_delete=models.PROTECT, null=True, blank=True, related_name="+", db_constraint=False
    )
    negotiated_class = models.PositiveSmallIntegerField(null=True, blank=True)
    negotiated_power_w = models.FloatField(
        null=True, blank=True, help_text="Power the switch granted (LLDP)."
    )
    cable_length_m = models.FloatField(null=True, blank=True)
    cable_length_basis = models.PositiveSmallIntegerField(choices=Basis.choices, default=Basis.UNKNOWN)
    cable_type = models.ForeignKey(
        "sites.CableType", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    address = models.GenericIPAddressField(null=True, blank=True)
    vlan = models.PositiveIntegerField(null=True, blank=True)
    multicast_group = models.GenericIPAddressField(null=True, blank=True)
    page_code = models.CharField(max_length=20, blank=True)

    class Meta:
        db_table = "endpoint_facts"
        constraints = [
            models.CheckConstraint(
                condition=Q(cable_length_m__isnull=True, cable_length_basis=Basis.UNKNOWN)
                | Q(cable_length_m__gte=0, cable_length_basis__gt=Basis.UNKNOWN),
                name="endpoint_facts_length_and_basis",
            ),
            models.CheckConstraint(
                condition=Q(port__isnull=True) | Q(power_source="port"),
                name="endpoint_facts_port_means_power_from_it",
            ),
            models.CheckConstraint(
                condition=Q(negotiated_class__isnull=True) | Q(negotiated_class__lte=8),
                name="endpoint_facts_class_0_to_8",
            ),
            models.CheckConstraint(
                condition=Q(negotiated_power_w__isnull=True) | Q(negotiated_power_w__gte=0),
                name="endpoint_facts_negotiated_power_not_negative",
            ),
            models.CheckConstraint(
                condition=Q(vlan__isnull=True) | Q(vlan__gte=1, vlan__lte=4094),
                name="endpoint_facts_vlan_1_to_4094",
            ),
        ]


class Output(Placed):
    """One analog audio output of an endpoint."""

    class Terminal(models.TextChoices):
        SCREW = "screw", "screw terminals"
        JACK = "jack", "modular jack, patched to a block"
        UNKNOWN = "unknown", "unknown"

    endpoint = models.ForeignKey(
        Endpoint, on_delete=models.PROTECT, related_name="outputs", db_constraint=False
    )
    number = models.PositiveSmallIntegerField()
    terminal = models.CharField(max_length=10, choices=Terminal.choices, default=Terminal.UNKNOWN)

    class Meta:
        db_table = "output"
        ordering = ["endpoint_id", "number"]
        constraints = [
            models.UniqueConstraint(fields=["site", "id"], name="output_of_site"),
            models.UniqueConstraint(
                fields=["endpoint", "number"],
                condition=Q(end_step__isnull=True),
                name="output_number_once_an_endpoint",
            ),
            models.CheckConstraint(condition=Q(number__gte=1), name="output_number_from_1"),
        ]
