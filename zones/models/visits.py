"""Visits: a technician at a closet on a day, for a job."""

from __future__ import annotations

from django.db import models
from django.db.models.functions import Lower

from sites.models import Recorded, fields


class Visit(Recorded):
    closet = fields.SiteKey("sites.Closet", place=True, related_name="visits")
    visited_on = fields.DayField()
    technician = fields.NameField(max_length=120)
    job_reference = fields.LineField(max_length=80, blank=True)
    note = fields.NoteField()

    class Meta:
        db_table = "visit"
        constraints = [
            models.UniqueConstraint(fields=["site", "id", "visited_on"], name="visit_of_site_and_day"),
            models.UniqueConstraint(
                "site", "closet", "visited_on", Lower("technician"), name="visit_once_a_day"
            ),
        ]
        indexes = [
            models.Index(fields=["visited_on", "id"], name="visit_by_day"),
            models.Index(
                Lower("job_reference"), "id", condition=~models.Q(job_reference=""), name="visit_by_job"
            ),
        ]
