"""The worst verdict of sites, closets and zones, from their open findings, beside them in a list."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from sites.models.access import User
from tests import factories
from tests.api.conftest import Caller
from tests.api.v1.asking import get
from tests.api.v1.test_findings import add_speakers
from tests.halls import Hall, make_hall
from zones.models import Finding
from zones.recheck.batch import check


@pytest.fixture
def client(dispatcher: User, with_token: Caller) -> Client:
    return with_token(dispatcher)


def open_findings(client: Client, resource: str, hall: Hall) -> dict[int, Any]:
    query = {"customer_id": hall.site.customer_id} if resource == "sites" else {"site_id": hall.site.pk}
    items = get(client, resource, expand="open_findings", page_size=500, **query)["items"]
    return {one["id"]: one["open_findings"] for one in items}


def test_the_worst_of_what_is_open_stands_beside_site_closet_and_zone(hall: Hall, client: Client) -> None:
    """52 speakers at 40 mA are 2.08 A, past the 1.60 A of the supply that feeds both zones; 42 of them are
    more than the 40 of the hall's output, which the gangway does not depend on."""
    empty = factories.make_closet(hall.site)
    check([hall.site.pk])
    before = open_findings(client, "zones", hall)
    assert {one["by_verdict"]["past"] for one in before.values()} == {0}
    add_speakers(hall, 12)
    check([hall.site.pk])
    past = Finding.objects.filter(verdict=4, cleared_at=None)
    assert {one.code for one in past} == {"supply_current", "output_speakers"}
    for resource, pk, count in (
        ("sites", hall.site.pk, 2),
        ("closets", hall.closet.pk, 2),
        ("zones", hall.zone.pk, 2),
        ("zones", hall.gangway.pk, 1),
    ):
        said = open_findings(client, resource, hall)[pk]
        assert (said["verdict"], said["by_verdict"]["past"]) == ("past", count), resource
        assert said["count"] == sum(said["by_verdict"].values())
        assert get(client, f"{resource}/{pk}", expand="open_findings")["open_findings"] == said
    assert open_findings(client, "closets", hall)[empty.pk] == {
        "verdict": None,
        "count": 0,
        "by_verdict": {"past": 0, "probably_past": 0, "cannot_tell": 0, "near": 0},
        "summary": "Nothing is past.",
    }


def test_what_cleared_does_not_count(hall: Hall, client: Client) -> None:
    add_speakers(hall, 12)
    check([hall.site.pk])
    of = {"sites": hall.site.pk, "closets": hall.closet.pk, "zones": hall.zone.pk}
    before = {resource: open_findings(client, resource, hall)[pk]["count"] for resource, pk in of.items()}
    finding = Finding.objects.get(code="supply_current")
    finding.state, finding.cleared_at = Finding.State.CLEARED, finding.opened_at
    finding.save()
    after = {resource: open_findings(client, resource, hall)[pk]["count"] for resource, pk in of.items()}
    assert after == {resource: count - 1 for resource, count in before.items()}


@pytest.mark.parametrize("resource", ["sites", "closets", "zones"])
def test_many_take_as_many_queries_as_one(resource: str, hall: Hall, client: Client) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as sent:
            get(client, resource, expand="open_findings", customer_id=hall.site.customer_id)
        return len(sent)

    add_speakers(hall, 12)
    check([hall.site.pk])
    queries()
    before = queries()
    other = factories.make_closet(factories.make_site(hall.site.customer))
    second = make_hall(other, factories.make_block(other))
    add_speakers(second, 12)
    check([second.site.pk])
    assert queries() == before
