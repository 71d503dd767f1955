"""What stands where: customers, sites, closets, plant, access, changes."""

from django.apps import AppConfig


class SitesConfig(AppConfig):
    name = "sites"
    label = "sites"
    default_auto_field = "django.db.models.BigAutoField"
