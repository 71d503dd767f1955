"""What it carries: zones, runs, points, the computation, limits and findings."""

import importlib

from django.apps import AppConfig


class ZonesConfig(AppConfig):
    name = "zones"
    label = "zones"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        # Registers the operations that a change set can consist of
        importlib.import_module("zones.services")
