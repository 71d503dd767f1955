from __future__ import annotations

import datetime as dt
from collections.abc import Callable

import pytest

from sites.changes.errors import ChangeRefused
from sites.changes.services import today_at
from sites.models import Closet, Contact, Coverage, Customer, Site
from sites.models.changes import Change
from sites.services.closets import closet_alter, contact_add, contact_alter, contact_remove
from sites.services.customers import contract_alter, coverage_add, coverage_alter, customer_alter
from sites.services.sites import site_add, site_alter
from tests import factories
from tests.factories import BUILT_ON, change

pytestmark = pytest.mark.django_db


def test_who_leaves_goes_from_the_list_and_stays_in_the_change_record(site: Site, closet: Closet) -> None:
    contact = contact_add(
        change(site), name="T. Brack", role=Contact.Role.KEY_HOLDER, closet=closet, phone="555 01"
    ).result
    contact_alter(change(site), contact=contact, phone="555 02")
    done = contact_remove(change(site, reason="has left"), contact=contact)
    assert not Contact.objects.exists()
    gone = Change.objects.get(change_set=done.change_set)
    assert (gone.operation, gone.new_rows) == ("delete", None)
    assert [row["phone"] for row in gone.old_rows or []] == ["555 02"]


def test_an_address_that_is_none_is_named(site: Site) -> None:
    with pytest.raises(ChangeRefused) as caught:
        contact_add(change(site), name="", role=Contact.Role.SITE, email="nobody")
    assert {problem.pointer for problem in caught.value.problems} == {"/name", "/email"}


def test_a_closet_is_described_to_those_who_must_reach_it(site: Site, closet: Closet) -> None:
    closet_alter(change(site), closet=closet, opened_by="security desk, until 22:00", ladder_m=3.5)
    closet.refresh_from_db()
    assert (closet.opened_by, closet.ladder_m) == ("security desk, until 22:00", 3.5)


def test_a_site_lies_in_a_time_zone_that_there_is(site: Site, customer: Customer) -> None:
    writes: list[Callable[[], object]] = [
        lambda: site_alter(change(site), time_zone="Europe/Larkmoor"),
        lambda: site_add(change(), customer=customer, code="x", name="X", time_zone="Europe/Larkmoor"),
    ]
    for write in writes:
        with pytest.raises(ChangeRefused, match=r"such as Europe/Lisbon") as caught:
            write()
        assert caught.value.problems[0].pointer == "/time_zone"


def test_a_site_needs_a_customer_that_there_is(db: None) -> None:
    gone = Customer(pk=10**9)
    with pytest.raises(ChangeRefused) as caught:
        site_add(change(), customer=gone, code="x", name="X")
    assert caught.value.problems[0].pointer == "/customer_id"


def test_todays_day_is_that_of_the_site(customer: Customer) -> None:
    east = factories.make_site(customer, time_zone="Pacific/Kiritimati")
    west = factories.make_site(customer, time_zone="Pacific/Niue")
    assert (today_at(east.pk) - today_at(west.pk)).days in (1, 2)


def test_one_contract_at_a_time_covers_a_site(site: Site) -> None:
    contract = factories.make_contract(site.customer)
    first = factories.make_coverage(contract, site, BUILT_ON, dt.date(2025, 3, 4))
    with pytest.raises(ChangeRefused) as caught:
        factories.make_coverage(factories.make_contract(site.customer), site, dt.date(2025, 3, 3))
    assert caught.value.problems[0].code == "coverage_one_contract_a_site_at_a_time"
    coverage_alter(change(), coverage=first, first_day=BUILT_ON, end_day=dt.date(2025, 3, 3))
    factories.make_coverage(factories.make_contract(site.customer), site, dt.date(2025, 3, 3))
    assert Coverage.objects.count() == 2


def test_days_run_forwards(site: Site) -> None:
    contract = factories.make_contract(site.customer)
    with pytest.raises(ChangeRefused) as caught:
        coverage_add(change(), contract=contract, site=site, first_day=BUILT_ON, end_day=BUILT_ON)
    assert caught.value.problems[0].pointer == "/end_day"


def test_a_contract_covers_sites_of_its_own_customer(site: Site) -> None:
    theirs = factories.make_contract(factories.make_customer())
    with pytest.raises(ChangeRefused) as caught:
        coverage_add(change(), contract=theirs, site=site, first_day=BUILT_ON)
    assert caught.value.problems[0].code == "other_customer"


def test_edits_count_versions(customer: Customer) -> None:
    contract = factories.make_contract(customer)
    customer_alter(change(), customer=customer, note="x")
    contract_alter(change(), contract=contract, response_hours=4)
    for row in (customer, contract):
        row.refresh_from_db()
        assert row.version == 2
