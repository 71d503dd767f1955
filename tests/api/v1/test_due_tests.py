"""Which tests are due: by contract, customer, site and month."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.test import Client

from api.v1 import due_tests
from sites.changes.making import today_in
from sites.models import Contract, Coverage, EndpointFacts
from sites.models.access import User
from sites.services.customers import contract_alter, coverage_alter
from sites.services.endpoints import endpoint_alter
from sites.services.sites import site_alter
from tests import factories
from tests.api.conftest import Caller
from tests.api.v1.asking import get
from tests.api.v1.plenty import one_hall
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


# --- as of another day --------------------------------------------------------------------------------------

BUILT = factories.BUILT_ON
"""2024-03-04, a year before the first test is due."""
PROVEN = dt.date(2025, 2, 1)


@pytest.fixture
def proven_once(hall: Hall) -> Contract:
    """One run was proven in time, and the other is two weeks late."""
    factories.keep_proofs(BUILT)
    contract = factories.make_contract(hall.site.customer)
    factories.make_coverage(contract, hall.site)
    factories.prove(hall.run, taken_on=PROVEN)
    factories.prove(hall.gangway_run, taken_on=dt.date(2025, 3, 18))
    return contract


def test_on_a_past_day_that_is_due_which_was_due_then(
    hall: Hall, client: Client, proven_once: Contract
) -> None:
    def said(day: str) -> list[tuple[int, str, str | None, bool]]:
        items = get(client, "due-tests", site_id=hall.site.pk, as_of=day)["items"]
        return [(one["run_id"], one["due_on"], one["proven_on"], one["overdue"]) for one in items]

    run, gangway = hall.run.pk, hall.gangway_run.pk
    assert said("2024-03-03") == []
    assert said("2025-01-31") == [(run, "2025-03-04", None, False), (gangway, "2025-03-04", None, False)]
    proven = (run, "2026-02-01", "2025-02-01", False)
    assert said("2025-02-01") == [(gangway, "2025-03-04", None, False), proven]
    assert said("2025-03-04") == [(gangway, "2025-03-04", None, False), proven]
    assert said("2025-03-05") == [(gangway, "2025-03-04", None, True), proven]
    assert said("2025-03-18") == [proven, (gangway, "2026-03-18", "2025-03-18", False)]


def test_today_it_is_what_the_last_recheck_stored_but_for_the_id(
    hall: Hall, client: Client, proven_once: Contract
) -> None:
    check([hall.site.pk])
    stored = get(client, "due-tests", expand="run,site,contract")["items"]
    today = today_in(hall.site.time_zone).isoformat()
    computed = get(client, "due-tests", expand="run,site,contract", as_of=today)["items"]
    assert len(stored) == 2
    assert computed == [{**one, "id": None} for one in stored]
    survey = dt.date(2025, 6, 2)
    site_alter(factories.change(hall.site), surveyed_on=survey)
    (one, other) = get(client, "due-tests", as_of="2025-06-02")["items"]
    assert (one["surveyed"], one["proven_on"], other["due_on"]) == (True, "2025-06-02", "2026-06-02")


def test_it_is_that_of_the_contract_which_covered_the_site_then(
    hall: Hall, client: Client, proven_once: Contract
) -> None:
    before = factories.make_contract(hall.site.customer, test_interval_months=3)
    coverage = Coverage.objects.get(contract=proven_once)
    coverage_alter(factories.change(), coverage=coverage, first_day=dt.date(2025, 1, 1))
    factories.make_coverage(before, hall.site, end_day=dt.date(2025, 1, 1))

    def found(**asked: object) -> list[str]:
        return [one["due_on"] for one in get(client, "due-tests", **asked)["items"]]

    of_both = ["2024-06-04", "2024-06-04"]
    assert found(as_of="2024-12-31") == found(as_of="2024-12-31", contract_id=before.pk) == of_both
    assert found(as_of="2025-01-01", contract_id=before.pk) == []
    assert found(as_of="2025-01-01", contract_id=proven_once.pk) == ["2025-03-04", "2025-03-04"]
    contract_alter(factories.change(), contract=before, test_interval_months=None)
    assert found(as_of="2024-12-31") == []


def test_on_a_past_day_they_are_chosen_and_sorted_and_have_pages_alike(
    hall: Hall, client: Client, proven_once: Contract
) -> None:
    other = one_hall(hall.site.customer)
    site_alter(factories.change(other.site), name="a quay")
    contract = factories.make_contract(hall.site.customer)
    factories.make_coverage(contract, other.site)
    asked = {"as_of": "2025-02-01"}

    def found(**more: object) -> list[int]:
        return [one["run_id"] for one in get(client, "due-tests", **asked, **more)["items"]]

    gangway, quay, quay_gangway, run = (
        one.pk for one in (hall.gangway_run, other.run, other.gangway_run, hall.run)
    )
    everything = [gangway, quay, quay_gangway, run]
    assert found() == found(customer_id=hall.site.customer_id) == everything
    covered_by = {one["site_id"]: one["contract_id"] for one in get(client, "due-tests", **asked)["items"]}
    assert covered_by == {hall.site.pk: proven_once.pk, other.site.pk: contract.pk}
    assert found(order="-due_on") == everything[::-1]
    assert found(order="site") == [quay, quay_gangway, *sorted((run, gangway))]
    assert found(site_id=other.site.pk) == [quay, quay_gangway]
    assert found(run_id=run) == [run]
    assert found(due_from="2025-03-05") == [run]
    assert found(due_until="2025-03-04") == everything[:3]
    assert found(customer_id=hall.site.customer_id + 1) == found(run_id=10**9) == []
    for order in ("due_on", "-due_on", "site", "-id"):
        pages: list[int] = []
        more: dict[str, Any] = {}
        while True:
            page = get(client, "due-tests", **asked, order=order, page_size=1, count="true", **more)
            assert (len(page["items"]), page["count"], page["count_is_capped"]) == (1, 4, False)
            pages += [one["run_id"] for one in page["items"]]
            if page["next"] is None:
                break
            more = {"cursor": page["next"]}
        assert pages == found(order=order)
        assert sorted(pages) == sorted(everything)


def test_on_a_past_day_only_so_many_sites_are_computed(
    hall: Hall, client: Client, proven_once: Contract, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = one_hall(hall.site.customer)
    smaller = factories.make_contract(hall.site.customer)
    factories.make_coverage(smaller, other.site)
    monkeypatch.setattr(due_tests, "MOST_SITES", 1)
    refused = client.get("/api/v1/due-tests", {"as_of": "2025-02-01"})
    (error,) = refused.json()["errors"]
    assert (refused.status_code, error["parameter"], error["code"]) == (400, "as_of", "too_many")
    assert "for at most 1 sites at once; these are more. Give site_id, or contract_id" in error["detail"]
    # sites that were not covered then are none of them
    assert len(get(client, "due-tests", as_of="2025-02-01", contract_id=smaller.pk)["items"]) == 2
    assert get(client, "due-tests", as_of="2023-02-01")["items"] == []
    # nor are other sites than that of the run, and those of a contract without an interval
    assert len(get(client, "due-tests", as_of="2025-02-01", run_id=hall.run.pk)["items"]) == 1
    contract_alter(factories.change(), contract=smaller, test_interval_months=None)
    assert len(get(client, "due-tests", as_of="2025-02-01")["items"]) == 2


def test_who_sees_all_customers_names_one_of_a_past_day(
    hall: Hall, with_token: Caller, proven_once: Contract
) -> None:
    everything = with_token(factories.make_user(User.Role.MANAGER, all_customers=True))
    refused = everything.get("/api/v1/due-tests", {"as_of": "2025-02-01"})
    (error,) = refused.json()["errors"]
    assert (refused.status_code, error["parameter"], error["code"]) == (400, "as_of", "unbound")
    for more in ({"site_id": hall.site.pk}, {"contract_id": proven_once.pk}, {"run_id": hall.run.pk}):
        assert get(everything, "due-tests", as_of="2025-02-01", **more)["items"]


def test_on_a_past_day_those_of_other_customers_do_not_exist_either(
    hall: Hall, client: Client, proven_once: Contract
) -> None:
    other = one_hall(factories.make_customer())
    theirs = factories.make_contract(other.site.customer)
    factories.make_coverage(theirs, other.site)
    for asked in ({"site_id": other.site.pk}, {"contract_id": theirs.pk}, {"run_id": other.run.pk}):
        assert get(client, "due-tests", as_of="2025-02-01", **asked)["items"] == []
    items = get(client, "due-tests", as_of="2025-02-01")["items"]
    assert {one["site_id"] for one in items} == {hall.site.pk}


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
