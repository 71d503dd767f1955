"""The service, outermost: settings, REST, events, pages, operations."""

from django.apps import AppConfig


class ApiConfig(AppConfig):
    name = "api"
    label = "api"
    default_auto_field = "django.db.models.BigAutoField"
