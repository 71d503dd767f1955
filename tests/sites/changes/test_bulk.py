"""Thousands of rows in a few statements: the same rules, one change row a statement, table and site."""

from __future__ import annotations

import pytest
from django.db import connection

from sites.changes.services import open_change_set, open_change_sets
from sites.models import Block, Closet, Site
from sites.models.changes import Change, ChangeSet
from tests import factories
from tests.factories import change
from tests.sites.changes.rows import refused, step

pytestmark = pytest.mark.django_db


@pytest.fixture
def closets(customer: object) -> list[Closet]:
    return [factories.make_closet() for _ in range(3)]


def copy_blocks(rows: list[tuple[int, int, str, int, int]]) -> None:
    """COPY blocks: site, closet, name, change set, step."""
    with (
        connection.cursor() as cursor,
        cursor.copy(
            "COPY block (site_id, closet_id, name, change_set_id, begin_step, kind, row_count, note) "
            "FROM STDIN"
        ) as copy,
    ):
        for row in rows:
            copy.write_row((*row, "110", 50, ""))


def test_copy_of_many_sites_leaves_a_change_row_each(closets: list[Closet]) -> None:
    changes = [change(closet.site, reason="fleet") for closet in closets for _ in range(2)]
    with open_change_sets(changes) as change_sets:
        copy_blocks(
            [
                (closets[place // 2].site_id, closets[place // 2].pk, f"B{place}", one.pk, step(one))
                for place, one in enumerate(change_sets)
            ]
        )
    assert [one.site_id for one in change_sets] == [closet.site_id for closet in closets for _ in range(2)]
    written = Change.objects.filter(change_set__in=change_sets, table_name="block")
    assert sorted(written.values_list("change_set_id", "site_id", "row_count")) == sorted(
        (one.pk, one.site_id, 1) for one in change_sets
    )
    assert Block.objects.filter(change_set__in=change_sets).count() == 6


def test_change_sets_of_a_site_keep_the_order_in_which_they_are_given(closets: list[Closet]) -> None:
    sites = [closets[2].site, closets[0].site, closets[2].site, closets[0].site]
    with open_change_sets([change(site, reason=str(place)) for place, site in enumerate(sites)]) as made:
        assert [one.reason for one in made] == ["0", "1", "2", "3"]
    assert step(made[2]) == step(made[0]) + 1


def test_each_row_must_name_a_change_set_of_its_site(closets: list[Closet]) -> None:
    one, other = closets[:2]
    with open_change_sets([change(closet.site) for closet in (one, other)]) as (first, second):
        with refused("record_change_set_of_its_site"):
            copy_blocks([(one.site_id, one.pk, "B", second.pk, step(second))])
        with refused("record_holds_from_its_own_step"):
            copy_blocks([(one.site_id, one.pk, "B", first.pk, step(first) + 1)])
        with refused("record_change_set_accepted_just_now"):
            copy_blocks([(one.site_id, one.pk, "B", 10**9, 1)])
        with refused("record_write_names_its_change_set"):
            Block.objects.bulk_create([Block(site=one.site, closet=one, name="B", kind="110")])
        with refused("record_write_names_its_change_set"):
            Closet.objects.filter(pk=one.pk).update(note="x")


def test_an_open_change_set_takes_rows_by_any_means(site: Site, closet: Closet) -> None:
    with open_change_set(change(site, reason="import", quiet=True)) as change_set:
        Block.objects.bulk_create(
            Block(site=site, closet=closet, name=f"B{number}", kind="110") for number in range(500)
        )
        copy_blocks(
            [(site.pk, closet.pk, f"C{number}", change_set.pk, step(change_set)) for number in range(500)]
        )
    counts = change_set.changes.values_list("row_count", flat=True)
    assert sorted(counts) == [500, 500]
    assert Block.objects.filter(change_set=change_set, begin_step=step(change_set)).count() == 1000


def test_what_fails_inside_leaves_nothing(site: Site, closet: Closet) -> None:
    def write_and_fail() -> None:
        with open_change_set(change(site, reason="import")):
            Block.objects.create(site=site, closet=closet, name="B", kind="110")
            raise RuntimeError("disk full")

    with pytest.raises(RuntimeError, match="disk"):
        write_and_fail()
    assert not Block.objects.exists()
    assert not ChangeSet.objects.filter(reason="import").exists()
