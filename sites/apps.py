"""What stands where: customers, sites, closets, plant, access, changes."""

import importlib

from django.apps import AppConfig


class SitesConfig(AppConfig):
    name = "sites"
    label = "sites"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        # Registers the operations that a change set can consist of
        importlib.import_module("sites.services")
