"""The service, outermost: settings, REST, events, pages, operations."""

from django.apps import AppConfig


class ApiConfig(AppConfig):
    name = "api"
    label = "api"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from django.db.backends.signals import connection_created

        from api.database.rules import refuse_unfit_database

        connection_created.connect(refuse_unfit_database, dispatch_uid="refuse_unfit_database")
