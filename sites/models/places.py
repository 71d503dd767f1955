"""Where things stand: sites, their closets, the people to call, and the codes that open doors."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from .dated import CurrentChangeSet, Placed, Recorded


class Site(models.Model):
    """One installation at one address. Its row is itself part of the record (change set, change row,
    mark)."""

    class LengthUnit(models.TextChoices):
        METRE = "m", "metres"
        FOOT = "ft", "feet"

    customer = models.ForeignKey("sites.Customer", on_delete=models.PROTECT, related_name="sites")
    code = models.SlugField(unique=True, max_length=60, help_text="The integrator's own key for this site.")
    name = models.TextField()
    address = models.TextField(blank=True)
    city = models.TextField(blank=True)
    postal_code = models.CharField(max_length=20, blank=True)
    time_zone = models.CharField(max_length=64, default="UTC")
    length_unit = models.CharField(max_length=2, choices=LengthUnit.choices, default=LengthUnit.METRE)
    design_temperature_c = models.FloatField(
        default=20.0, help_text="Conductors are computed at this temperature [°C]."
    )
    surveyed_on = models.DateField(
        null=True, blank=True, help_text="For a site taken over: the day its record was taken as found."
    )
    out_of_hours_phone = models.CharField(max_length=60, blank=True)
    induction = models.TextField(blank=True)
    permits = models.TextField(blank=True)
    dangers = models.TextField(blank=True)
    note = models.TextField(blank=True)
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
        db_table = "site"
        ordering = ["name", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(design_temperature_c__gte=-60, design_temperature_c__lte=90),
                name="site_design_temperature_plausible",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Closet(Placed):
    """A telecommunications space where things are mounted, and how a person gets into it."""

    name = models.CharField(max_length=80, help_text="The designation on its door or drawing.")
    building = models.CharField(max_length=120, blank=True)
    floor = models.CharField(max_length=60, blank=True)
    room = models.CharField(max_length=120, blank=True)
    directions = models.TextField(blank=True)
    opened_by = models.TextField(blank=True, help_text="Who opens it, and when.")
    opening_hours = models.CharField(max_length=120, blank=True)
    key_location = models.CharField(max_length=200, blank=True, help_text="Where the key is, never a code.")
    escort = models.TextField(blank=True)
    induction = models.TextField(blank=True)
    permits = models.TextField(blank=True)
    protective_equipment = models.TextField(blank=True)
    other_tenants = models.TextField(blank=True, help_text="Other people's equipment on the same wall.")
    dangers = models.TextField(blank=True)
    ladder_m = models.FloatField(null=True, blank=True, help_text="Working height that needs a ladder [m].")
    note = models.TextField(blank=True)

    class Meta:
        db_table = "closet"
        ordering = ["name", "id"]
        constraints = [
            models.UniqueConstraint(fields=["site", "id"], name="closet_of_site"),
            models.UniqueConstraint(
                fields=["site", "name"], condition=Q(end_step__isnull=True), name="closet_name_once_a_site"
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Contact(Recorded):
    class Role(models.TextChoices):
        SITE = "site", "site contact"
        OUT_OF_HOURS = "out_of_hours", "out-of-hours contact"
        NETWORK = "network", "customer's network contact"
        KEY_HOLDER = "key_holder", "key holder"

    closet = models.ForeignKey(
        Closet, on_delete=models.PROTECT, null=True, blank=True, related_name="contacts", db_constraint=False
    )
    role = models.CharField(max_length=20, choices=Role.choices)
    name = models.CharField(max_length=120)
    phone = models.CharField(max_length=60, blank=True)
    email = models.EmailField(blank=True)
    hours = models.CharField(max_length=120, blank=True)
    note = models.TextField(blank=True)

    class Meta:
        db_table = "contact"
        ordering = ["role", "name", "id"]
        constraints = [
            models.UniqueConstraint(fields=["site", "role", "name"], name="contact_once_a_role"),
        ]
