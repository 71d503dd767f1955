"""Zones: the area that hears one page, and the network speakers that feed it without a run."""

from __future__ import annotations

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import Q

from sites.models import Placed, Recorded


class Zone(Placed):
    class LifeSafety(models.TextChoices):
        YES = "yes", "yes"
        NO = "no", "no"
        UNKNOWN = "unknown", "unknown"

    name = models.CharField(max_length=120)
    page_code = models.CharField(max_length=20, blank=True)
    groups = ArrayField(models.CharField(max_length=80), default=list, blank=True)
    priority = models.PositiveSmallIntegerField(null=True, blank=True)
    life_safety = models.CharField(max_length=8, choices=LifeSafety.choices, default=LifeSafety.UNKNOWN)
    note = models.TextField(blank=True)

    class Meta:
        db_table = "zone"
        ordering = ["name", "id"]
        constraints = [
            models.UniqueConstraint(fields=["site", "id"], name="zone_of_site"),
            models.UniqueConstraint(
                fields=["site", "name"], condition=Q(end_step__isnull=True), name="zone_name_once_a_site"
            ),
        ]

    def __str__(self) -> str:
        return self.name


class ZoneEndpoint(Placed):
    """A network speaker that is heard in a zone, from a step until it ends."""

    zone = models.ForeignKey(
        Zone, on_delete=models.PROTECT, related_name="zone_endpoints", db_constraint=False
    )
    endpoint = models.ForeignKey(
        "sites.Endpoint", on_delete=models.PROTECT, related_name="zone_endpoints", db_constraint=False
    )

    class Meta:
        db_table = "zone_endpoint"
        constraints = [
            models.UniqueConstraint(
                fields=["zone", "endpoint"], condition=Q(end_step__isnull=True), name="zone_endpoint_once"
            ),
        ]


class PagingSet(Placed):
    """Zones that page together. A site that lists none pages all zones of a supply at once (the harsher
    case)."""

    name = models.CharField(max_length=80)

    class Meta:
        db_table = "paging_set"
        constraints = [
            models.UniqueConstraint(fields=["site", "id"], name="paging_set_of_site"),
            models.UniqueConstraint(
                fields=["site", "name"],
                condition=Q(end_step__isnull=True),
                name="paging_set_name_once_a_site",
            ),
        ]


class PagingSetZone(Recorded):
    paging_set = models.ForeignKey(
        PagingSet, on_delete=models.PROTECT, related_name="members", db_constraint=False
    )
    zone = models.ForeignKey(Zone, on_delete=models.PROTECT, related_name="+", db_constraint=False)

    class Meta:
        db_table = "paging_set_zone"
        constraints = [models.UniqueConstraint(fields=["paging_set", "zone"], name="paging_set_zone_once")]
