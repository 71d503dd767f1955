"""A migration states what makes the tables, and so no words for people."""

from __future__ import annotations

import pytest
from django.db import models
from django.db.migrations.graph import MigrationGraph
from django.db.migrations.questioner import MigrationQuestioner
from django.db.migrations.state import ModelState, ProjectState

from api.management.commands.makemigrations import Autodetector


def state(field: models.Field) -> ProjectState:
    found = ProjectState()
    found.add_model(
        ModelState("walks", "Walk", [("id", models.BigAutoField(primary_key=True)), ("of", field)])
    )
    return found


BEFORE = models.CharField(max_length=10, null=True)


@pytest.mark.parametrize(
    ("field", "changes"),
    [
        (BEFORE, False),
        (
            models.CharField(
                "whose walk", max_length=10, null=True, blank=True, editable=False, help_text="Of whom.",
                choices=[("a", "A")], validators=[print],
            ),
            False,
        ),
        (models.CharField(max_length=11, null=True), True),
        (models.CharField(max_length=10), True),
        (models.CharField(max_length=10, null=True, db_default="a"), True),
        (models.CharField(max_length=10, null=True, unique=True), True),
    ],
)  # fmt: skip
def test_words_for_people_need_no_migration_and_a_column_does(field: models.Field, changes: bool) -> None:
    # An application without migrations gets none unless somebody says so
    asked = MigrationQuestioner({"ask_initial": True})
    made = Autodetector(state(BEFORE), state(field), asked).changes(MigrationGraph())
    assert bool(made) is changes
