"""What the data network feeds: switches, their ports, networked audio devices and their analog outputs."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.db.models.functions import Lower

from sites import fields

from .dated import Basis, DatedFacts, Named, Placed, standing_once, value_with_basis


class Switch(Named):
    class Owner(models.TextChoices):
        INTEGRATOR = "integrator", "integrator"
        CUSTOMER = "customer", "customer: do not touch"
        UNKNOWN = "unknown", "unknown: do not touch"

    closet = fields.SiteKey("sites.Closet", place=True, related_name="switches")
    name = fields.NameField(max_length=80)
    owner = fields.WordField(Owner, max_length=12, default=Owner.UNKNOWN)
    serial = fields.LineField(max_length=80, blank=True)
    note = fields.NoteField()

    class Meta(Named.Meta):
        db_table = "switch"
        indexes = [
            *Named.Meta.indexes,
            models.Index(fields=["serial", "id"], condition=~Q(serial=""), name="switch_by_serial"),
        ]


class SwitchFacts(DatedFacts):
    pk = models.CompositePrimaryKey("switch_id", "step")
    switch = fields.SiteKey(Switch, related_name="facts", db_index=False)
    model = fields.SharedKey("sites.DeviceModel", null=True)
    power_supply_count = fields.power_supplies(
        "Power supplies fitted, a built-in one included; the PoE budget follows it. Blank: not recorded.",
        verbose_name="number of power supplies",
    )
    usage_threshold = fields.QuantityField(
        minimum=0.01, maximum=0.99, null=True, help_text="Fraction (RFC 3621); blank: 0.8."
    )

    class Meta:
        db_table = "switch_facts"


class SwitchPort(Placed):
    switch = fields.SiteKey(Switch, related_name="ports")
    number = fields.WholeField(minimum=1, maximum=512)

    class Meta:
        db_table = "switch_port"
        ordering = ["switch_id", "number"]
        constraints = [
            models.UniqueConstraint(fields=["site", "id"], name="switch_port_of_site"),
            standing_once("switch", "number", name="switch_port_number_once_a_switch"),
        ]


class SwitchPortFacts(DatedFacts):
    """Priority, type, and any load on the port that is not one of our endpoints (a camera, a telephone)."""

    class Priority(models.TextChoices):
        CRITICAL = "critical", "critical"
        HIGH = "high", "high"
        LOW = "low", "low"

    pk = models.CompositePrimaryKey("port_id", "step")
    port = fields.SiteKey(SwitchPort, related_name="facts", db_index=False)
    priority = fields.WordField(Priority, max_length=10, default=Priority.LOW)
    port_type = fields.port_type("Where it is not that of the switch's model; blank: as the model.")
    other_load = fields.LineField(
        max_length=120, blank=True, help_text="What else is connected to it; blank: nothing else."
    )
    other_load_class = fields.poe_class()
    other_load_power_w = fields.power(100, "Power allocated at the switch, where it is known.")

    class Meta:
        db_table = "switch_port_facts"


class Endpoint(Named):
    """A networked audio device: gateway, network speaker or network amplifier."""

    closet = fields.SiteKey("sites.Closet", place=True, null=True, related_name="endpoints")
    name = fields.NameField(max_length=80)
    place = fields.LineField(
        max_length=200, blank=True, help_text="Where to find it when it is not in a closet."
    )
    serial = fields.LineField(max_length=80, blank=True)
    mac = fields.MacField(verbose_name="MAC")
    firmware = fields.LineField(max_length=60, blank=True)
    configuration_backup = fields.LineField(max_length=200, blank=True)
    warranty_end = fields.DayField(null=True, verbose_name="end of warranty")
    note = fields.NoteField()

    class Meta(Named.Meta):
        db_table = "endpoint"
        indexes = [
            *Named.Meta.indexes,
            models.Index(fields=["serial", "id"], condition=~Q(serial=""), name="endpoint_by_serial"),
            models.Index(Lower("mac"), "id", condition=~Q(mac=""), name="endpoint_by_mac"),
            models.Index(fields=["warranty_end", "id"], name="endpoint_by_warranty"),
        ]


class EndpointFacts(DatedFacts):
    class PowerSource(models.TextChoices):
        PORT = "port", "PoE from a switch port"
        INJECTOR = "injector", "midspan injector"
        ADAPTER = "adapter", "plug-in adapter"
        MAINS = "mains", "mains"
        UNKNOWN = "unknown", "unknown"

    class Service(models.TextChoices):
        PLANNED = "planned", "planned"
        IN_SERVICE = "in_service", "in service"
        OUT_OF_SERVICE = "out_of_service", "out of service"

    pk = models.CompositePrimaryKey("endpoint_id", "step")
    endpoint = fields.SiteKey(Endpoint, related_name="facts", db_index=False)
    model = fields.SharedKey("sites.DeviceModel", null=True)
    power_source = fields.WordField(PowerSource, max_length=10, default=PowerSource.UNKNOWN)
    port = fields.SiteKey(SwitchPort, null=True)
    negotiated_class = fields.poe_class()
    negotiated_power_w = fields.power(
        100, "Power by LLDP: at the device's input, without the loss of its cable."
    )
    cable_length_m = fields.length()
    cable_length_basis = fields.NumberedWordField(Basis, default=Basis.UNKNOWN)
    cable_type = fields.SharedKey("sites.CableType", null=True)
    address = fields.AddressField(null=True)
    vlan = fields.WholeField(minimum=1, maximum=4094, null=True, verbose_name="VLAN")
    multicast_group = fields.AddressField(null=True)
    page_code = fields.LineField(max_length=20, blank=True)
    service = fields.WordField(
        Service, max_length=16, null=True, help_text="Whether it is planned, in service or out of service."
    )

    class Meta:
        db_table = "endpoint_facts"
        indexes = [
            models.Index(
                fields=["address"], condition=Q(address__isnull=False), name="endpoint_facts_by_address"
            ),
        ]
        constraints = [
            value_with_basis("cable_length_m", "cable_length_basis", "endpoint_facts_length_and_basis"),
            models.CheckConstraint(
                condition=Q(port__isnull=True) | Q(power_source="port"),
                name="endpoint_facts_port_means_power_from_it",
            ),
        ]


class Output(Placed):
    """One analog audio output of an endpoint."""

    class Terminal(models.TextChoices):
        SCREW = "screw", "screw terminals"
        JACK = "jack", "modular jack, patched to a block"
        UNKNOWN = "unknown", "unknown"

    endpoint = fields.SiteKey(Endpoint, related_name="outputs")
    number = fields.WholeField(minimum=1, maximum=64)
    terminal = fields.WordField(Terminal, max_length=10, default=Terminal.UNKNOWN)

    class Meta:
        db_table = "output"
        ordering = ["endpoint_id", "number"]
        constraints = [
            models.UniqueConstraint(fields=["site", "id"], name="output_of_site"),
            standing_once("endpoint", "number", name="output_number_once_an_endpoint"),
        ]
