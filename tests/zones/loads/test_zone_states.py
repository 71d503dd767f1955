"""What bears on zones today is stored by the recheck, and is what the plant of the day says."""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections import defaultdict
from collections.abc import Callable
from typing import Any

import pytest

from sites.changes.services import today_at
from sites.models import DeviceModel, Site
from sites.services.endpoints import endpoint_move
from tests import factories
from tests.halls import Hall, make_hall
from zones.electrical.subjects import Subject, SubjectKind
from zones.loads.site_loads import site_loads
from zones.loads.zone_states import open_findings, stored_figures
from zones.models import ZoneSubject
from zones.recheck.batch import check
from zones.services.landings import PairUse, landing_add
from zones.services.points import point_alter, point_append
from zones.services.runs import run_alter, run_end
from zones.services.zones import zone_endpoint_add, zone_endpoint_end

pytestmark = pytest.mark.django_db
LATER = factories.BUILT_ON + dt.timedelta(days=100)
Change = Callable[[Hall], object]


def by_zone(*sites: Site) -> dict[int, set[Subject]]:
    """As the recheck stored it."""
    check([site.pk for site in sites])
    found: dict[int, set[Subject]] = defaultdict(set)
    for row in ZoneSubject.objects.filter(site__in=sites):
        found[row.zone_id].add((row.subject_kind, row.subject_id))
    return found


def by_plant(*sites: Site) -> dict[int, set[Subject]]:
    return {
        zone_id: set(subjects)
        for site in sites
        for zone_id, subjects in site_loads(site.pk, today_at(site.pk)).bearing.items()
    }


def at(hall: Hall, day: dt.date = LATER) -> Any:
    return factories.change(hall.site, happened_on=day)


def strayed(hall: Hall) -> None:
    point_append(at(hall), run=hall.run, after=hall.points[-1], model=hall.speaker, zone=hall.gangway)


def fed_in_its_midst(hall: Hall) -> None:
    second = factories.make_supply(hall.closet, name="PS 2")
    point_alter(at(hall), point=hall.points[5], feed_supply=second, negative_cut=True)
    strayed(hall)


def fed_there_no_more(hall: Hall) -> None:
    fed_in_its_midst(hall)
    point_alter(at(hall), point=hall.points[5], feed_supply=None, negative_cut=False)


def repatched(hall: Hall) -> None:
    run_alter(at(hall), run=hall.run, zone=hall.gangway)


def repatched_tomorrow(hall: Hall) -> None:
    planned = dataclasses.replace(at(hall, today_at(hall.site.pk) + dt.timedelta(days=2)), planned=True)
    run_alter(planned, run=hall.run, zone=hall.gangway)


def taken_out(hall: Hall) -> None:
    run_end(at(hall), run=hall.run)


def heard(hall: Hall) -> None:
    speaker = factories.make_gateway(
        hall.closet, factories.make_model(DeviceModel.Kind.NETWORK_SPEAKER), name="NS 1"
    )
    endpoint_move(at(hall), endpoint=speaker, port=hall.switch.ports.get(number=7))
    for zone in (hall.zone, hall.gangway):
        zone_endpoint_add(at(hall), zone=zone, endpoint=speaker)


def heard_no_more(hall: Hall) -> None:
    said = zone_endpoint_add(factories.change(hall.site), zone=hall.gangway, endpoint=hall.gateway).result
    zone_endpoint_end(at(hall), zone_endpoint=said)


def landed_elsewhere(hall: Hall) -> None:
    other = factories.make_block(hall.closet)
    landing_add(at(hall), block=other, row=3, pair=1, carries=PairUse.DC, run=hall.run)


@pytest.mark.parametrize(
    "happens",
    [
        strayed, fed_in_its_midst, fed_there_no_more, repatched, repatched_tomorrow, taken_out, heard,
        heard_no_more, landed_elsewhere,
    ],
)  # fmt: skip
def test_the_same_bears_on_a_zone_either_way(hall: Hall, happens: Change) -> None:
    before = by_zone(hall.site)
    assert before == by_plant(hall.site)
    happens(hall)
    after = by_zone(hall.site)
    assert after == by_plant(hall.site)
    if happens not in (fed_there_no_more, repatched_tomorrow, heard_no_more):
        assert after != before


def test_many_sites_cost_no_more_than_one(hall: Hall, django_assert_num_queries: Callable[..., Any]) -> None:
    closet = factories.make_closet(factories.make_site(hall.site.customer))
    other = make_hall(closet, factories.make_block(closet))
    assert by_zone(hall.site, other.site) == by_plant(hall.site, other.site)
    with django_assert_num_queries(2):
        zones = [zone.pk for of in (hall, other) for zone in (of.zone, of.gangway)]
        figures, findings = stored_figures(zones), open_findings(zones)
    assert {(hall.supply.pk, "supply_current"), (other.supply.pk, "supply_current")} <= {
        (one.subject_id, code) for one in figures for code in one.codes
    }
    of_supply = next(one for one in figures if one.subject == (SubjectKind.SUPPLY, hall.supply.pk))
    assert set(of_supply.zones) == {hall.zone.pk, hall.gangway.pk}
    assert findings == []


def test_nothing_bears_on_no_zone() -> None:
    assert stored_figures([]) == []
    assert open_findings([]) == []
