"""`manage.py migrate`, as the role that owns the tables."""

from typing import Any

from django.conf import settings
from django.core.management.base import CommandParser
from django.core.management.commands.migrate import Command as MigrateCommand
from django.db import connections

from api.database.roles import grant_service


class Command(MigrateCommand):
    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        parser.set_defaults(database="owner")

    def handle(self, *args: Any, **options: Any) -> None:
        # Before the first table, so that what is granted by default holds for every one
        if not options["check_unapplied"] and not options["plan"]:
            grant_service(connections[options["database"]], settings.SERVICE_ROLE)
        super().handle(*args, **options)
