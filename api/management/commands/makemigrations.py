"""`manage.py makemigrations`: a migration states what makes the tables. Words for people are in none of
them, so a model may change those without a migration, and a migration leaves them out."""

from __future__ import annotations

from typing import Any, Final

from django.core.management.commands.makemigrations import Command as MakeMigrationsCommand
from django.db.migrations.autodetector import MigrationAutodetector
from django.db.models import Field

NOT_IN_TABLES: Final = frozenset(
    ("auto_created", "blank", "choices", "editable", "error_messages", "help_text", "serialize", "validators",
     "verbose_name")
)  # fmt: skip
"""Arguments of fields that change no table."""


class Autodetector(MigrationAutodetector):
    def deep_deconstruct(self, obj: Any) -> Any:
        found = super().deep_deconstruct(obj)
        if not isinstance(obj, Field):
            return found
        path, args, kwargs = found
        return path, args, {word: value for word, value in kwargs.items() if word not in NOT_IN_TABLES}


class Command(MakeMigrationsCommand):
    autodetector = Autodetector
