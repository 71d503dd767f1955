"""What it carries: zones, runs, points, the computation, limits and findings."""

from django.apps import AppConfig


class ZonesConfig(AppConfig):
    name = "zones"
    label = "zones"
    default_auto_field = "django.db.models.BigAutoField"
