"""What stood where, as of a day: the same number of queries however much stands there."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo, available_timezones

import pytest
from django.db.models import Exists, OuterRef
from pytest_django import DjangoAssertNumQueries

from sites.changes.steps import first_step_after
from sites.models import Closet, Site, Supply, SupplyFacts, Switch, SwitchFacts
from sites.selectors import StepAfterToday, begun, past_everywhere, stood, things_with_facts
from sites.services.power import supply_end
from tests import factories
from tests.factories import BUILT_ON, change
from zones.selectors import points_before, runs_before

pytestmark = pytest.mark.django_db
LATER = dt.date(2025, 9, 1)


def test_things_come_with_their_facts_in_one_query(
    site: Site, closet: Closet, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    elsewhere = factories.make_closet()
    supplies = [factories.make_supply(closet) for _ in range(4)] + [factories.make_supply(elsewhere)]
    supply_end(change(site, happened_on=LATER), supply=supplies[0])
    sites = [site.pk, elsewhere.site_id]
    for day, standing in ((BUILT_ON, supplies), (LATER, supplies[1:])):
        with django_assert_num_queries(1):
            held = things_with_facts(Supply, SupplyFacts, first_step_after(day), site_ids=sites)
            names = {thing.pk: facts and facts.model and facts.model.name for thing, facts in held}
        assert set(names) == {supply.pk for supply in standing}
        assert None not in names.values()


def test_other_sites_are_not_read(closet: Closet) -> None:
    factories.make_switch(factories.make_closet())
    assert things_with_facts(Switch, SwitchFacts, first_step_after(LATER), site_ids=[closet.site_id]) == []


def test_what_stands_today_is_asked_of_the_rows_that_are_meant(site: Site, closet: Closet) -> None:
    """Also where a query holds another one of the same table."""
    first, second, third = (factories.make_supply(closet) for _ in range(3))
    for supply in (first, third):
        supply_end(change(site, happened_on=LATER), supply=supply)
    standing = Supply.objects.filter(stood(StepAfterToday()))
    assert [*standing] == [second]
    has_later = Exists(standing.filter(site=OuterRef("site"), pk__gt=OuterRef("pk")))
    assert [*Supply.objects.filter(has_later)] == [first]
    assert [*Supply.objects.filter(begun(StepAfterToday()), ~has_later).order_by("pk")] == [second, third]


def test_points_of_many_runs_come_in_one_query(
    site: Site, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    block = factories.make_block(factories.make_closet(site))
    runs = [factories.make_run(block) for _ in range(3)]
    for number, run in enumerate(runs):
        factories.make_points(run, number + 1)
    with django_assert_num_queries(1):
        rows = points_before(first_step_after(BUILT_ON), site_id=site.pk, run_ids=[run.pk for run in runs])
        places = [(row.run_id, row.point.name, row.model and row.model.minimum_voltage_v) for row in rows]
    assert places == [
        (run.pk, str(name + 1), 18.0) for number, run in enumerate(runs) for name in range(number + 1)
    ]
    with django_assert_num_queries(1):
        assert len(runs_before(first_step_after(BUILT_ON), site_ids=[site.pk])) == 3


@pytest.mark.parametrize("hour", range(24))
def test_what_is_past_everywhere_has_come_in_the_last_time_zone(hour: int) -> None:
    now = dt.datetime(2026, 3, 1, hour, tzinfo=dt.UTC)
    today = min(now.astimezone(ZoneInfo(name)).date() for name in available_timezones())
    of_a_database_that_is_behind = today - dt.timedelta(days=1)
    assert past_everywhere(now) <= first_step_after(of_a_database_that_is_behind)
    assert past_everywhere(now) > first_step_after(today - dt.timedelta(days=4)), "most of a record is past"
