"""Usernames: no two differ in capital letters only."""

from __future__ import annotations

from importlib import import_module
from types import SimpleNamespace

import pytest
from django.core.management import CommandError
from django.db import IntegrityError, connection

from sites.changes.constraints import problem_of
from sites.models import User
from tests import factories

once = import_module("sites.migrations.0018_usernames_once")


def test_the_database_takes_no_two_alike(manager: User) -> None:
    with pytest.raises(IntegrityError) as refused:
        factories.make_user(username="Maud")
    problem = problem_of(refused.value)
    assert (problem.path, problem.detail) == ("/username", "Another user has this username.")


def test_those_alike_from_before_are_named_to_who_migrates(manager: User) -> None:
    editor = SimpleNamespace(connection=connection)
    once.name_the_alike(None, editor)
    with connection.cursor() as cursor:
        cursor.execute("DROP INDEX account_username_once")  # comes back with the end of the test
    factories.make_user(username="Maud")
    with pytest.raises(CommandError, match=r"in capital letters only: (Maud and maud|maud and Maud)\."):
        once.name_the_alike(None, editor)
