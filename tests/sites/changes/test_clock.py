"""A server whose clock is days ahead of the database's writes nothing."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from sites.changes.errors import ChangeRefused
from sites.changes.services import change_accept, change_set_accept, change_set_draft, open_change_sets
from sites.models import Closet, Site
from sites.models.access import User
from tests.factories import change

pytestmark = pytest.mark.django_db
DAY = dt.date(2025, 5, 6)
ADDED: list[dict[str, Any]] = [{"op": "closet.add", "name": "TR-9"}]


def set_clock(monkeypatch: pytest.MonkeyPatch, ahead: dt.timedelta) -> None:
    right = timezone.now
    monkeypatch.setattr(timezone, "now", lambda: right() + ahead)


@pytest.mark.parametrize("channel", ["operations", "draft", "rows"])
def test_a_clock_days_ahead_is_refused_and_nothing_is_written(
    channel: str, site: Site, manager: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    draft = change_set_draft(change(site, happened_on=DAY), ADDED)

    def write() -> None:
        if channel == "operations":
            change_accept(change(site, happened_on=DAY), ADDED)
        elif channel == "draft":
            change_set_accept(change_set=draft, user=manager)
        else:
            with open_change_sets([change(site, happened_on=DAY)]):
                pass

    set_clock(monkeypatch, dt.timedelta(days=2))
    before = Closet.objects.count()
    with pytest.raises(ChangeRefused) as refused:
        write()
    (problem,) = refused.value.problems
    assert problem.code == "clock_ahead"
    assert problem.detail.startswith("The clock of this server is 2.0 days ahead of the database's")
    assert Closet.objects.count() == before


def test_hours_do_not_matter(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    set_clock(monkeypatch, dt.timedelta(hours=23))
    change_accept(change(site, happened_on=DAY), ADDED)
    assert Closet.objects.filter(site=site, name="TR-9").exists()


def test_it_costs_no_statement_of_its_own(site: Site) -> None:
    with CaptureQueriesContext(connection) as queries:
        change_accept(change(site, happened_on=DAY), ADDED)
    clocks = [one["sql"] for one in queries if "clock_timestamp" in one["sql"]]
    assert clocks
    assert all("zonebook." in sql for sql in clocks)
