"""Which tests are due: by contract, customer, site and month."""

from __future__ import annotations

import datetime as dt

import pytest
from django.test import Client

from sites.models import EndpointFacts
from sites.models.access import User
from sites.services.endpoints import endpoint_alter
from tests import factories
from tests.api.conftest import Caller
from tests.api.v1.asking import get
from tests.halls import Hall, make_hall
from zones.models import DueTest
from zones.recheck.batch import check

DAY = dt.timedelta(days=1)


@pytest.fixture
def client(technician: User, with_token: Caller) -> Client:
    return with_token(technician)


def test_due_tests_are_those_of_the_last_recheck(hall: Hall, client: Client) -> None:
    """Proofs are kept since the day on which the hall was built; its contract says 12 months."""
    factories.keep_proofs(factories.BUILT_ON)
    contract = factories.make_contract(hall.site.customer)
    factories.make_coverage(contract, hall.site)
    check([hall.site.pk])
    first, second = get(client, "due-tests")["items"]
    due_on = factories.BUILT_ON.replace(year=factories.BUILT_ON.year + 1)
    assert first == {
        "id": DueTest.objects.get(run=hall.run).pk,
        "run_id": hall.run.pk,
        "site_id": hall.site.pk,
        "contract_id": contract.pk,
        "closet_id": hall.closet.pk,
        "due_on": due_on.isoformat(),
        "proven_on": None,
        "surveyed": False,
        "overdue": due_on < dt.datetime.now(dt.UTC).date(),
    }
    assert second["run_id"] == hall.gangway_run.pk
    assert get(client, f"due-tests/{first['id']}") == first
    shown = get(client, "due-tests", expand="run,site,contract", page_size=1)["items"][0]
    assert (shown["run"]["name"], shown["contract"]["reference"]) == ("R1", contract.reference)


def test_they_are_chosen_by_contract_customer_site_and_month(hall: Hall, client: Client) -> None:
    contracts = [factories.make_contract(hall.site.customer) for _ in range(2)]
    march, april = dt.date(2027, 3, 31), dt.date(2027, 4, 1)
    rows = [
        DueTest.objects.create(site=hall.site, run=run, contract=contract, due_on=day, surveyed=False)
        for run, contract, day in zip((hall.run, hall.gangway_run), contracts, (march, april), strict=True)
    ]

    def found(**asked: object) -> list[int]:
        return [one["id"] for one in get(client, "due-tests", **asked)["items"]]

    first, second = (row.pk for row in rows)
    assert (
        found() == found(customer_id=hall.site.customer_id) == found(site_id=hall.site.pk) == [first, second]
    )
    assert found(order="-due_on") == [second, first]
    assert found(contract_id=contracts[1].pk) == [second]
    assert found(run_id=hall.run.pk) == [first]
    assert found(due_from="2027-03-01", due_until="2027-03-31") == [first]
    assert found(due_from="2027-04-01") == [second]
    assert found(customer_id=hall.site.customer_id + 1) == []


def test_a_test_is_overdue_once_its_day_is_over_at_its_site(hall: Hall, client: Client) -> None:
    contract = factories.make_contract(hall.site.customer)
    today = dt.datetime.now(dt.UTC).date()  # two days apart, so that no time zone matters
    for run, day in ((hall.run, today - 2 * DAY), (hall.gangway_run, today + 2 * DAY)):
        DueTest.objects.create(site=hall.site, run=run, contract=contract, due_on=day, surveyed=False)
    assert [one["overdue"] for one in get(client, "due-tests")["items"]] == [True, False]


def test_those_of_other_customers_do_not_exist(hall: Hall, client: Client) -> None:
    site = factories.make_site(factories.make_customer())
    closet = factories.make_closet(site)
    other = make_hall(closet, factories.make_block(closet))
    row = DueTest.objects.create(
        site=site, run=other.run, contract=factories.make_contract(site.customer),
        due_on=dt.date(2027, 3, 1), surveyed=False,
    )  # fmt: skip
    assert get(client, "due-tests")["items"] == []
    assert client.get(f"/api/v1/due-tests/{row.pk}").status_code == 404


def test_what_is_overdue_or_unproven_is_in_every_answer_about_its_run(hall: Hall, client: Client) -> None:
    factories.keep_proofs(factories.BUILT_ON)
    factories.make_coverage(factories.make_contract(hall.site.customer, test_interval_months=1), hall.site)
    change = factories.change(hall.site)
    endpoint_alter(change, endpoint=hall.gateway, service=EndpointFacts.Service.IN_SERVICE)
    check([hall.site.pk])
    due_on = DueTest.objects.get(run=hall.run).due_on
    codes = {"in_service_unproven", "test_overdue"}
    load = get(client, f"runs/{hall.run.pk}/load", explain="true")
    figures = {one["code"]: one for one in load["items"] if one["code"] in codes}
    assert {code: one["verdict"] for code, one in figures.items()} == dict.fromkeys(codes, "past")
    overdue = figures["test_overdue"]
    assert overdue["sentence"] == f"Run R1 has no complete proof; its test was due on {due_on}."
    assert (overdue["place"], overdue["headroom_likely"]) == (None, None)
    findings = get(client, "findings", site_id=hall.site.pk)["items"]
    of_run = {one["code"]: one for one in findings if one["subject"]["id"] == hall.run.pk}
    assert codes <= set(of_run)
    assert of_run["test_overdue"]["attribution"]["cause"] == "time"
    cases = {one["key"] for one in get(client, "cases", site_id=hall.site.pk)["items"]}
    assert f"site-{hall.site.pk}/test_overdue-{due_on}" in cases
    sheet = get(client, f"closets/{hall.closet.pk}/sheet")
    assert codes <= {one["code"] for one in sheet["findings"]}
    history = get(client, f"zones/{hall.zone.pk}/history")
    found = {one["code"]: one for one in history["items"]}
    assert found["in_service_unproven"]["attribution"]["cause"] == "as_found"
    assert found["test_overdue"]["attribution"] == of_run["test_overdue"]["attribution"]
