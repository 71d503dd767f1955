"""Where things stand: sites, their closets, the people to call, and the codes that open doors."""

from __future__ import annotations

from django.db import models
from django.db.models.functions import Lower

from sites import fields

from .dated import Named, Recorded
from .rows import Row


class Site(Row):
    """One installation at one address. Its row is itself part of the record (change set, change row,
    mark)."""

    class LengthUnit(models.TextChoices):
        METRE = "m", "metres"
        FOOT = "ft", "feet"

    class Jurisdiction(models.TextChoices):
        UNITED_STATES = "united_states", "United States"
        CANADA = "canada", "Canada"
        ELSEWHERE = "elsewhere", "elsewhere"

    customer = models.ForeignKey("sites.Customer", on_delete=models.PROTECT, related_name="sites")
    code = fields.CodeField(max_length=60, unique=True, help_text="The integrator's own key for this site.")
    name = fields.NameField(max_length=200)
    address = fields.NoteField(max_length=500)
    city = fields.LineField(max_length=120, blank=True)
    postal_code = fields.LineField(max_length=20, blank=True)
    time_zone = fields.TimeZoneField(max_length=64, default="UTC")
    length_unit = fields.WordField(LengthUnit, default=LengthUnit.METRE)
    design_temperature_c = fields.temperature(
        "Conductors are computed at this temperature; below 20 °C the high estimate takes 20 °C, except on "
        "runs with a design temperature of their own.",
        default=20.0,
    )
    surveyed_on = fields.DayField(
        null=True, help_text="For a site taken over: the day its record was taken as found."
    )
    commissioned_on = fields.DayField(
        null=True,
        help_text="The day on which the system went into service: what is past a limit by its end is as "
        "found, and before it no event is sent.",
    )
    jurisdiction = fields.WordField(
        Jurisdiction,
        max_length=20,
        null=True,
        help_text="Whose wiring rules govern. Blank: those of the United States are assumed.",
    )
    out_of_hours_phone = fields.LineField(max_length=60, blank=True)
    induction = fields.NoteField()
    permits = fields.NoteField()
    dangers = fields.NoteField()
    note = fields.NoteField()
    change_set = fields.WriterKey()

    class Meta:
        db_table = "site"
        ordering = ["name", "id"]
        constraints = [
            models.UniqueConstraint(Lower("code"), name="site_code_once"),
        ]
        indexes = [
            models.Index(Lower("name"), "id", name="site_by_name"),
            models.Index(Lower("city"), "id", name="site_by_city"),
        ]

    def __str__(self) -> str:
        return self.name


class Closet(Named):
    """A telecommunications space where things are mounted, and how a person gets into it."""

    name = fields.NameField(max_length=80, help_text="The designation on its door or drawing.")
    building = fields.LineField(max_length=120, blank=True)
    floor = fields.LineField(max_length=60, blank=True)
    room = fields.LineField(max_length=120, blank=True)
    directions = fields.NoteField()
    opened_by = fields.NoteField(help_text="Who opens it, and when.")
    opening_hours = fields.LineField(max_length=120, blank=True)
    key_location = fields.LineField(max_length=200, blank=True, help_text="Where the key is, never a code.")
    escort = fields.NoteField()
    induction = fields.NoteField()
    permits = fields.NoteField()
    protective_equipment = fields.NoteField()
    other_tenants = fields.NoteField(help_text="Other people's equipment on the same wall.")
    dangers = fields.NoteField()
    ladder_m = fields.QuantityField(
        unit="m", minimum=0, maximum=100, null=True, help_text="Working height that needs a ladder."
    )
    note = fields.NoteField()

    class Meta(Named.Meta):
        db_table = "closet"


class Contact(Recorded):
    class Role(models.TextChoices):
        SITE = "site", "site contact"
        OUT_OF_HOURS = "out_of_hours", "out-of-hours contact"
        NETWORK = "network", "customer's network contact"
        KEY_HOLDER = "key_holder", "key holder"

    closet = fields.SiteKey(Closet, place=True, null=True, related_name="contacts")
    role = fields.WordField(Role, max_length=20)
    name = fields.NameField(max_length=120)
    phone = fields.LineField(max_length=60, blank=True)
    email = fields.EmailField(max_length=254, blank=True)
    hours = fields.LineField(max_length=120, blank=True)
    note = fields.NoteField()

    class Meta:
        db_table = "contact"
        ordering = ["role", "name", "id"]
        constraints = [
            models.UniqueConstraint("site", "role", Lower("name"), name="contact_once_a_role"),
        ]
        indexes = [models.Index(Lower("name"), "id", name="contact_by_name")]
