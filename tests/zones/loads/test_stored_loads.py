"""Today's loads are read where the last recheck left what computing them would give, and only there."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.utils import timezone

from sites.changes.services import today_at
from sites.models import Basis
from sites.services.sites import site_alter
from tests import factories
from tests.halls import Hall, lose_facts
from zones.loads.site_loads import Loads, SiteLoads, loads_on, site_loads
from zones.models import DueDate, SiteCheck
from zones.recheck.batch import check
from zones.services.runs import run_alter

pytestmark = pytest.mark.django_db
DAY = dt.timedelta(days=1)


def is_read(hall: Hall, day: dt.date | None = None) -> bool:
    return not isinstance(loads_on(hall.site.pk, day or today_at(hall.site.pk)), SiteLoads)


def same(read: Loads, computed: Loads) -> None:
    subjects = {load.subject for load in computed.loads}
    assert {load.subject for load in read.loads} == subjects
    ours, theirs = read.of(subjects), computed.of(subjects)
    assert [(one.code, one.subject) for one in ours] == [(one.code, one.subject) for one in theirs]
    for one, other in zip(ours, theirs, strict=True):
        assert one.verdict == other.verdict
        assert all(a.alike(b, relative=1e-9) for a, b in zip(one.estimates, other.estimates, strict=True))
        for name in ("headroom_likely", "headroom_worst", "supported"):
            read_value, value = getattr(one, name), getattr(other, name)
            assert read_value == (None if value is None else pytest.approx(value, rel=1e-9, abs=1e-9)), name


def test_what_is_read_is_what_would_be_computed(
    hall: Hall, django_assert_num_queries: Callable[..., Any]
) -> None:
    factories.make_points(hall.run, 12, hall.speaker, length_m=2.0, current_basis=Basis.MEASURED)
    check([hall.site.pk])
    today = today_at(hall.site.pk)
    computed = site_loads(hall.site.pk, today)
    with django_assert_num_queries(1):
        read = loads_on(hall.site.pk, today)
    assert not isinstance(read, SiteLoads)
    same(read, computed)
    assert read.bearing == computed.bearing
    of_zone = loads_on(hall.site.pk, today, zone_id=hall.gangway.pk)
    assert of_zone.bearing == {hall.gangway.pk: computed.bearing[hall.gangway.pk]}
    assert {load.subject for load in of_zone.loads} < {load.subject for load in read.loads}


def test_a_site_that_was_never_rechecked_is_computed(hall: Hall) -> None:
    assert not is_read(hall)


def test_another_day_is_computed(hall: Hall) -> None:
    check([hall.site.pk])
    today = today_at(hall.site.pk)
    assert is_read(hall)
    assert not is_read(hall, today - DAY)
    assert not is_read(hall, today + DAY)


@pytest.mark.parametrize("time_zone", ["Pacific/Kiritimati", "Pacific/Pago_Pago"])
def test_today_is_the_day_at_the_site(hall: Hall, time_zone: str) -> None:
    """At any moment one of the two has another day than UTC."""
    site_alter(factories.change(hall.site), time_zone=time_zone)
    check([hall.site.pk])
    day = dt.datetime.now(ZoneInfo(time_zone)).date()
    assert is_read(hall, day)
    assert not is_read(hall, day - DAY)
    assert not is_read(hall, day + DAY)


def test_what_was_written_since_is_computed(hall: Hall) -> None:
    check([hall.site.pk])
    run_alter(factories.change(hall.site), run=hall.run, zone=hall.gangway)
    assert not is_read(hall)
    assert hall.zone.pk not in loads_on(hall.site.pk, today_at(hall.site.pk)).bearing
    check([hall.site.pk])
    assert is_read(hall)


def test_what_fell_due_since_is_computed(hall: Hall) -> None:
    check([hall.site.pk])
    due = DueDate.objects.create(site=hall.site, at=timezone.now() + DAY, reason="later")
    assert is_read(hall)
    due.at = timezone.now() - DAY
    due.save()
    assert not is_read(hall)


@pytest.mark.parametrize(
    "left",
    [
        {"solver_version": 1},
        {"failures": 1},
        {"not_computed": 1},
        # by a sweeper whose clock is ahead, just before midnight
        {"as_of": dt.date(2999, 1, 1)},
    ],
)
def test_what_the_last_recheck_left_unfit_is_computed(hall: Hall, left: dict[str, Any]) -> None:
    check([hall.site.pk])
    SiteCheck.objects.filter(site=hall.site).update(**left)
    assert not is_read(hall)


def test_what_cannot_be_computed_is_listed(hall: Hall) -> None:
    lose_facts(hall.points[5])
    check([hall.site.pk])
    assert SiteCheck.objects.get(site=hall.site).not_computed > 0
    assert loads_on(hall.site.pk, today_at(hall.site.pk)).problems
