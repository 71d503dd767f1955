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

        from django.conf import settings

        from sites.access.scope import scope_by_path, scope_by_rule
        from sites.changes.signals import change_set_accepted, change_set_withdrawn
        from zones.findings import rechecked
        from zones.models.findings import CatalogueNews
        from zones.models.recheck import ProofsKept, RecheckTime
        from zones.recheck.nudge import nudge_after_commit

        if settings.CELERY_BROKER_URL:
            change_set_accepted.connect(nudge_after_commit)
            change_set_withdrawn.connect(nudge_after_commit)
        rechecked.register()
        scope_by_path(CatalogueNews, "case__site__customer_id")
        for of_no_customer in (ProofsKept, RecheckTime):
            scope_by_rule(of_no_customer, lambda rows, _scope: rows.none())
