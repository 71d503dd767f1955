"""Rows as they are read: whole ones take a shorter way than the library's."""

from __future__ import annotations

import pytest
from django.db.models import F, Model, QuerySet
from pytest_django import DjangoAssertNumQueries

from sites.fields import Ids
from sites.models import Closet, Site, Supply, SupplyFacts
from sites.models.rows import as_listed, listed_row
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def supply(closet: Closet) -> Supply:
    return factories.make_supply(closet)


@pytest.mark.parametrize("model", [Supply, SupplyFacts, Closet, Site])
def test_a_row_is_read_as_the_library_reads_it(model: type[Model], supply: Supply) -> None:
    row, columns = model._default_manager.get(), [column.attname for column in model._meta.concrete_fields]
    expected = model(**model._default_manager.values(*columns).get())
    assert {name: getattr(row, name) for name in columns} == {
        name: getattr(expected, name) for name in columns
    }
    assert {*vars(row)} == {*vars(expected)}
    assert (row._state.adding, row._state.db) == (False, "default")


def test_what_a_row_refers_to_is_read_once(
    supply: Supply, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    row = Supply.objects.get()
    with django_assert_num_queries(1):
        assert row.closet.name == supply.closet.name
        assert row.closet.pk == supply.closet_id


def test_a_row_read_in_part_has_the_rest_when_it_is_asked(
    supply: Supply, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    row = Supply.objects.only("name").get()
    with django_assert_num_queries(1):
        assert row.closet_id == supply.closet_id
    assert row.name == supply.name


def test_facts_are_found_by_many_ids_in_one_parameter(closet: Closet) -> None:
    supplies = [factories.make_supply(closet) for _ in range(3)]
    wanted = [supplies[0].pk, supplies[2].pk]
    found = SupplyFacts.objects.filter(supply_id__among=Ids(wanted)).values_list("supply_id", flat=True)
    assert sorted(found) == sorted(wanted)
    assert SupplyFacts.objects.filter(supply_id__among=Ids([])).count() == 0


# --- rows of a list -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("model", [Supply, SupplyFacts, Closet, Site])
def test_a_listed_row_has_the_columns_and_the_annotations(model: type[Model], supply: Supply) -> None:
    rows = model._default_manager.all()
    columns = [column.attname for column in model._meta.concrete_fields]
    (row,) = as_listed(rows).annotate(two=F(columns[0]) + 1).order_by("two")[:5]
    assert {name: getattr(row, name) for name in columns} == rows.values(*columns).get()
    assert row.two == getattr(row, columns[0]) + 1
    row.more = "as a view sets it"
    assert row.more == "as a view sets it"


def test_a_listed_row_has_its_key_and_nothing_it_refers_to(supply: Supply) -> None:
    (row,) = as_listed(Supply.objects.all())
    assert (row.pk, row.closet_id) == (supply.pk, supply.closet_id)
    assert not hasattr(row, "closet")
    facts = SupplyFacts.objects.values_list()[0]
    assert listed_row(SupplyFacts)(facts).supply_id == supply.pk


@pytest.mark.parametrize(
    "rows",
    [
        Supply.objects.select_related("closet"),
        Supply.objects.prefetch_related("closet"),
        Supply.objects.defer("closet"),
        Supply.objects.only("closet"),
    ],
    ids=["select_related", "prefetch_related", "defer", "only"],
)
def test_rows_that_come_with_more_or_less_stay_as_they_are(supply: Supply, rows: QuerySet[Supply]) -> None:
    (row,) = as_listed(rows)
    assert isinstance(row, Supply)
    assert row.closet.pk == supply.closet_id
