"""Zones: the area that hears one page, what is paged to it, and the network speakers that feed it without a
run."""

from __future__ import annotations

from django.db import models
from django.db.models.functions import Lower

from sites.models import DatedFacts, Named, Placed, Recorded, fields, standing_once


class Zone(Named):
    class LifeSafety(models.TextChoices):
        YES = "yes", "yes"
        NO = "no", "no"
        UNKNOWN = "unknown", "unknown"

    name = fields.NameField(max_length=120)
    page_code = fields.LineField(max_length=20, blank=True)
    groups = fields.ListField(fields.NameField(max_length=80), max_items=50, default=list, blank=True)
    priority = fields.WholeField(minimum=0, maximum=9999, null=True)
    life_safety = fields.WordField(LifeSafety, max_length=8, default=LifeSafety.UNKNOWN)
    note = fields.NoteField()

    class Meta(Named.Meta):
        db_table = "zone"
        indexes = [
            *Named.Meta.indexes,
            models.Index(fields=["life_safety", "id"], name="zone_by_life_safety"),
        ]


class ZoneFacts(DatedFacts):
    class Signal(models.TextChoices):
        SPEECH = "speech", "speech"
        TONES = "tones", "tones"
        UNKNOWN = "unknown", "unknown"

    pk = models.CompositePrimaryKey("zone_id", "step")
    zone = fields.SiteKey(Zone, related_name="facts", db_index=False)
    signal = fields.WordField(
        Signal,
        max_length=8,
        default=Signal.UNKNOWN,
        help_text="What is paged: tones (chimes, bells, alarm tones, music) load at full output. Unknown "
        "counts as speech.",
    )

    class Meta:
        db_table = "zone_facts"


class ZoneEndpoint(Placed):
    """A network speaker that is heard in a zone, from a step until it ends."""

    zone = fields.SiteKey(Zone, related_name="zone_endpoints")
    endpoint = fields.SiteKey("sites.Endpoint", related_name="zone_endpoints")

    class Meta:
        db_table = "zone_endpoint"
        constraints = [
            standing_once("zone", "endpoint", name="zone_endpoint_once"),
        ]


class PagingSet(Placed):
    """Zones that page together. At a site that lists none all zones of a supply page at once (the harsher
    case); at one that does, a zone in no set pages alone."""

    name = fields.NameField(max_length=80)

    class Meta:
        db_table = "paging_set"
        constraints = [
            models.UniqueConstraint(fields=["site", "id"], name="paging_set_of_site"),
            standing_once("site", Lower("name"), name="paging_set_name_once_a_site"),
        ]
        indexes = [models.Index(Lower("name"), "id", name="paging_set_by_name")]


class PagingSetZone(Recorded):
    paging_set = fields.SiteKey(PagingSet, related_name="members")
    zone = fields.SiteKey(Zone)

    class Meta:
        db_table = "paging_set_zone"
        constraints = [models.UniqueConstraint(fields=["paging_set", "zone"], name="paging_set_zone_once")]
