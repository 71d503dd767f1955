from __future__ import annotations

import datetime as dt

import pytest

from sites.changes.errors import ChangeRefused
from sites.changes.steps import first_step_after
from sites.models import Site
from sites.selectors import standing
from tests import factories
from tests.factories import BUILT_ON, change
from zones.models import PagingSet
from zones.services.paging_sets import paging_set_add, paging_set_alter, paging_set_end
from zones.services.zones import zone_end

pytestmark = pytest.mark.django_db
LATER = dt.date(2025, 9, 1)


def members(site: Site, day: dt.date) -> dict[str, set[str]]:
    sets = standing(PagingSet, first_step_after(day), site=site)
    return {one.name: set(one.members.values_list("zone__name", flat=True)) for one in sets}


def test_a_set_of_other_zones_takes_the_place_of_the_old_one(site: Site) -> None:
    hall, lanes, pier = (factories.make_zone(site, name=name) for name in ("hall", "lanes", "pier"))
    old = paging_set_add(change(site), name="boarding", zones=[hall, lanes, hall]).result
    paging_set_alter(change(site, happened_on=LATER), paging_set=old, zones=[lanes, pier])
    assert members(site, BUILT_ON) == {"boarding": {"hall", "lanes"}}
    assert members(site, LATER) == {"boarding": {"lanes", "pier"}}


def test_a_zone_that_pages_with_others_is_not_ended(site: Site) -> None:
    hall = factories.make_zone(site)
    together = paging_set_add(change(site), name="all", zones=[hall]).result
    with pytest.raises(ChangeRefused, match="is still used by paging set all"):
        zone_end(change(site, happened_on=LATER), zone=hall)
    paging_set_end(change(site, happened_on=LATER), paging_set=together)
    zone_end(change(site, happened_on=LATER), zone=hall)
    assert members(site, LATER) == {}


def test_a_set_has_zones(site: Site) -> None:
    with pytest.raises(ChangeRefused) as caught:
        paging_set_add(change(site), name="none", zones=[])
    assert caught.value.problems[0].pointer == "/zone_ids"
