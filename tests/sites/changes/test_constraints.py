"""Every rule of the database has a sentence, and breaking one says it where it is broken."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from django.apps import apps
from django.db import connection

from sites.changes.constraints import RULES, rule_in_words
from sites.changes.errors import ChangeRefused
from sites.models import Closet, DeviceModel, Site
from sites.services.closets import closet_add
from sites.services.power import supply_add
from tests import factories
from tests.factories import change

pytestmark = pytest.mark.django_db
ROOT = Path(__file__).resolve().parents[3]

# Django names these itself, with a hash; what they say is read off the server's own words
GENERATED = re.compile(r"_[0-9a-f]{8}(_fk.*|_check|_uniq)?$|_pkey$|_check$")


def rules_of_the_database() -> set[str]:
    tables = [
        model._meta.db_table
        for label in ("sites", "zones")
        for model in apps.get_app_config(label).get_models()
    ]
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT conname FROM pg_constraint "
            "WHERE contype IN ('c', 'u', 'x', 'f') AND conrelid = ANY(%s::regclass[])",
            [[f'"{table}"' for table in tables]],
        )
        constraints = {name for (name,) in cursor.fetchall()}
        # A unique constraint with a condition, or on an expression, is an index to the server
        cursor.execute(
            "SELECT relname FROM pg_index JOIN pg_class ON pg_class.oid = indexrelid "
            "WHERE indisunique AND (indpred IS NOT NULL OR indexprs IS NOT NULL) "
            "AND indrelid = ANY(%s::regclass[])",
            [[f'"{table}"' for table in tables]],
        )
        indexes = {name for (name,) in cursor.fetchall()}
    return constraints | indexes


def rules_of_the_triggers() -> set[str]:
    """Names under which functions of the database refuse something."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT prosrc FROM pg_proc WHERE proname LIKE 'zonebook%'")
        sources = "\n".join(source for (source,) in cursor.fetchall())
    return set(re.findall(r"(?:CONSTRAINT =|THEN)\s+'(\w+)'", sources))


def test_every_named_rule_has_a_sentence() -> None:
    rules = {name for name in rules_of_the_database() if not GENERATED.search(name)}
    assert len(rules) > 100
    assert sorted(name for name in rules if rule_in_words(name) is None) == []


def test_every_refusal_of_a_trigger_has_a_sentence() -> None:
    rules = rules_of_the_triggers()
    assert len(rules) > 8
    assert sorted(name for name in rules if rule_in_words(name) is None) == []


def test_no_sentence_is_of_a_rule_that_is_gone() -> None:
    tables = ("change", "secret_reveal", "reading", "paging_set_zone", "withdrawal", "person_removal")
    only_added_to = {f"{table}_is_only_added_to" for table in tables}
    known = rules_of_the_database() | rules_of_the_triggers() | only_added_to
    assert sorted(set(RULES) - known) == []


def test_sentences_are_sentences() -> None:
    known = rules_of_the_database() | rules_of_the_triggers() | set(RULES)
    for name, (sentence, _) in {name: rule for name in known if (rule := rule_in_words(name))}.items():
        assert re.match(r"[A-Z0-9].*\.$|\w+ .*\.$", sentence), name


def test_a_broken_rule_is_named_at_its_field(site: Site) -> None:
    closet_add(change(site), name="MDF")
    with pytest.raises(ChangeRefused) as caught:
        closet_add(change(site), name="MDF")
    (problem,) = caught.value.problems
    assert (problem.pointer, problem.code) == ("/name", "closet_name_once_a_site")
    assert problem.detail == "Another closet of this site has this name."


def test_a_row_that_is_not_there_is_named(closet: Closet) -> None:
    gone = factories.make_model(DeviceModel.Kind.SUPPLY)
    gone.pk = 10**9
    with pytest.raises(ChangeRefused) as caught:
        supply_add(change(closet.site), closet=closet, name="PS 1", model=gone)
    (problem,) = caught.value.problems
    assert (problem.pointer, problem.detail) == ("/model_id", "There is no device model 1000000000.")
