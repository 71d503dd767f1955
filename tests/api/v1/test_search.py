"""Search: what someone on the telephone remembers of a name or an address, spelt as it may be."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from sites.models import Customer, User
from sites.services.closets import closet_end
from tests import factories
from tests.api.conftest import Caller
from zones.electrical.subjects import SubjectKind
from zones.models import ZoneSubject


@pytest.fixture
def fleet(customer: Customer, other_customer: Customer) -> dict[str, Any]:
    """Two customers' sites, closets and zones, of names that are easily mistaken."""
    quay = factories.make_site(
        customer, code="quay-9", name="Quay 9", address="4 Harbour Road", city="Ålesund", postal_code="60221"
    )
    east = factories.make_site(
        customer, code="east", name="Ferry terminal east", address="18 Mill Lane", city="Port Arrenby"
    )
    store = factories.make_site(
        other_customer, code="store-2", name="Cold store 2", address="4 Harbour Road", city="Ålesund"
    )
    made: dict[str, Any] = {"quay": quay, "east": east, "store": store}
    for site, closets, zones in [
        (quay, ["Riser A", "Machine room"], ["Ticket hall", "Marshalling lanes"]),
        (east, ["Riser A", "Attic"], ["Ticket hall", "Gangway"]),
        (store, ["Riser A"], ["Blast freezer", "Chlorine store", "Ammonia plant room"]),
    ]:
        for name in closets:
            made[f"{site.code}/{name}"] = factories.make_closet(site, name=name, building="Main", floor="2")
        for number, name in enumerate(zones):
            made[f"{site.code}/{name}"] = factories.make_zone(
                site, name=name, page_code=f"7{number}", groups=["all calls"]
            )
    return made


def found(client: Any, q: str, **query: Any) -> list[dict[str, Any]]:
    answer = client.get("/api/v1/search", {"q": q, **query})
    assert answer.status_code == 200, answer.content
    items: list[dict[str, Any]] = answer.json()["items"]
    return items


@pytest.mark.parametrize(
    ("typed", "kind", "key"),
    [
        ("quay 9", "site", "quay"),
        ("QUAY 9", "site", "quay"),
        ("quay-9", "site", "quay"),
        ("60221", "site", "quay"),
        ("mill lane", "site", "east"),
        ("4 harbor road alesund cold", "site", "store"),
        ("Ålesund quay", "site", "quay"),
        ("alesund quay", "site", "quay"),
        ("fery terminal", "site", "east"),
        ("ferry termnial", "site", "east"),
        ("riser quay 9", "closet", "quay-9/Riser A"),
        ("riser ferry terminal", "closet", "east/Riser A"),
        ("rizer cold stor", "closet", "store-2/Riser A"),
        ("machne room", "closet", "quay-9/Machine room"),
        ("marshaling lanes", "zone", "quay-9/Marshalling lanes"),
        ("gangwya", "zone", "east/Gangway"),
        ("chlroine", "zone", "store-2/Chlorine store"),
        ("amonia", "zone", "store-2/Ammonia plant room"),
        ("tikcet hall east", "zone", "east/Ticket hall"),
        ("blast freezr", "zone", "store-2/Blast freezer"),
    ],
)
def test_the_first_result_is_what_was_meant(
    fleet: dict[str, Any], manager: User, with_token: Caller, typed: str, kind: str, key: str
) -> None:
    first = found(with_token(manager), typed)[0]
    assert (first["kind"], first["id"]) == (kind, fleet[key].pk), first


def test_a_result_tells_what_and_where(fleet: dict[str, Any], reader: User, with_token: Caller) -> None:
    client = with_token(reader)
    closet = fleet["quay-9/Riser A"]
    first = found(client, "riser quay")[0]
    assert first == {
        "kind": "closet",
        "id": closet.pk,
        "path": f"closets/{closet.pk}",
        "title": "Riser A",
        "where": "Strand Ferries, Quay 9, Main, floor 2",
        "customer_id": fleet["quay"].customer_id,
        "site_id": fleet["quay"].pk,
        "closet_id": closet.pk,
        "ended": False,
        "exact": False,
        "verdict": None,
        "rank": first["rank"],
    }
    assert client.get(f"/api/v1/{first['path']}").json()["name"] == "Riser A"


def test_a_zone_says_in_which_closets_its_runs_begin(
    fleet: dict[str, Any], reader: User, with_token: Caller
) -> None:
    """One is called of a zone that is quiet, and sends somebody to a closet."""
    client, zone = with_token(reader), fleet["east/Gangway"]
    assert found(client, "gangway")[0]["where"] == "Strand Ferries, Ferry terminal east"
    for closet in ("Riser A", "Attic", "Attic"):
        run = factories.make_run(factories.make_block(fleet[f"east/{closet}"]))
        ZoneSubject.objects.create(site=zone.site, zone=zone, subject_kind=SubjectKind.RUN, subject_id=run.pk)
    # A supply may have the same id as a run
    elsewhere = factories.make_run(factories.make_block(fleet["quay-9/Machine room"]))
    ZoneSubject.objects.create(
        site=zone.site, zone=zone, subject_kind=SubjectKind.SUPPLY, subject_id=elsewhere.pk
    )
    first = found(client, "gangway")[0]
    assert (first["title"], first["where"]) == (
        "Gangway",
        "Strand Ferries, Ferry terminal east, closets Attic and Riser A",
    )
    assert found(client, "ticket hall east")[0]["where"] == "Strand Ferries, Ferry terminal east"


def test_customers_are_found_too(fleet: dict[str, Any], manager: User, with_token: Caller) -> None:
    first = found(with_token(manager), "norland cold")[0]
    assert (first["kind"], first["id"]) == ("customer", fleet["store"].customer_id)


def test_a_zone_comes_before_the_points_along_it(
    fleet: dict[str, Any], manager: User, with_token: Caller
) -> None:
    """All have both words; the places of the points are shorter than the names and groups of the zone."""
    run = factories.make_run(factories.make_block(fleet["store-2/Riser A"]), name="B1")
    for _ in range(3):
        factories.make_points(run, 1, place="freezer")
    items = found(with_token(manager), "freezer cold store")
    assert [one["kind"] for one in items[:4]] == ["zone", "point", "point", "point"]
    assert items[0]["id"] == fleet["store-2/Blast freezer"].pk


def test_words_that_every_caller_says_find_nothing_by_themselves(
    fleet: dict[str, Any], manager: User, with_token: Caller
) -> None:
    run = factories.make_run(factories.make_block(fleet["quay-9/Riser A"]), name="IN-1")
    factories.make_points(run, 1, place="over the door in the corner")
    client = with_token(manager)
    (first, *others) = found(client, "it is in the gangway at the terminal")
    assert first["id"] == fleet["east/Gangway"].pk
    assert all("over the door" not in one["where"] for one in others)
    # where nothing else is said, or in a name, they are words like others
    assert found(client, "in the")[0]["where"].endswith("over the door in the corner")
    assert found(client, "in-1")[0]["id"] == run.pk


def test_best_first(fleet: dict[str, Any], manager: User, with_token: Caller) -> None:
    ranks = [item["rank"] for item in found(with_token(manager), "riser")]
    assert len(ranks) >= 3
    assert ranks == sorted(ranks, reverse=True)
    assert all(0 < rank <= 1 for rank in ranks)


@pytest.mark.parametrize(
    "typed", ["blast freezer", "cold store", "harbour road", "chlorine", "norrland", "riser"]
)
def test_nothing_of_another_customer(
    fleet: dict[str, Any], reader: User, customer: Customer, with_token: Caller, typed: str
) -> None:
    """Neither in the results nor in corrected spellings: a word that only other customers have does not
    count."""
    items = found(with_token(reader), typed)
    assert {item["customer_id"] for item in items} <= {customer.pk}
    assert not any(item["site_id"] == fleet["store"].pk for item in items)


def test_what_others_have_does_not_change_what_one_finds(
    fleet: dict[str, Any], customer: Customer, other_customer: Customer, reader: User, with_token: Caller
) -> None:
    client = with_token(reader)
    before = found(client, "gangwya")
    other = factories.make_site(other_customer, code="gangwya", name="Gangwya")
    factories.make_zone(other, name="gangwya")
    assert found(client, "gangwya") == before != []


def test_ended_things_are_marked_and_come_later(
    fleet: dict[str, Any], reader: User, with_token: Caller
) -> None:
    closet, site = fleet["quay-9/Riser A"], fleet["quay"]
    closet_end(factories.change(site, happened_on=date(2025, 5, 1)), closet=closet)
    standing = factories.make_closet(site, name="Riser A")
    items = found(with_token(reader), "riser quay 9", kinds="closet")
    both = [(item["id"], item["ended"]) for item in items if item["site_id"] == site.pk]
    assert both[0] == (standing.pk, False)
    assert (closet.pk, True) in both


def test_only_the_kinds_asked_for(fleet: dict[str, Any], manager: User, with_token: Caller) -> None:
    client = with_token(manager)
    assert {item["kind"] for item in found(client, "quay", kinds="zone,site")} == {"zone", "site"}
    answer = client.get("/api/v1/search", {"q": "quay", "kinds": "zome"})
    assert answer.status_code == 400
    assert "Did you mean zone?" in answer.json()["errors"][0]["detail"]


def test_no_more_than_asked_for(fleet: dict[str, Any], manager: User, with_token: Caller) -> None:
    assert len(found(with_token(manager), "riser", page_size=2)) == 2


@pytest.mark.parametrize("typed", ["xyzzy", "%", "__", "' OR 1=1 --", "\\", "%(w0)s", "a" * 200, "😀😀"])
def test_what_is_nowhere_is_not_found(
    fleet: dict[str, Any], manager: User, with_token: Caller, typed: str
) -> None:
    answer = with_token(manager).get("/api/v1/search", {"q": typed})
    assert answer.status_code == (400 if len(typed) < 2 else 200)
    if answer.status_code == 200:
        assert answer.json()["items"] == []


@pytest.mark.parametrize("query", [{}, {"q": ""}, {"q": "x"}, {"q": "a" * 201}, {"q": "  a  "}])
def test_too_little_or_too_much_is_refused(reader: User, with_token: Caller, query: dict[str, str]) -> None:
    answer = with_token(reader).get("/api/v1/search", query)
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["parameter"] == "q"


def test_someone_without_grants_finds_nothing(fleet: dict[str, Any], with_token: Caller) -> None:
    assert found(with_token(User.objects.create_user("new")), "riser") == []


def test_it_costs_a_few_statements(fleet: dict[str, Any], manager: User, with_token: Caller) -> None:
    client = with_token(manager)
    client.get("/api/v1/search", {"q": "riser"})
    with CaptureQueriesContext(connection) as queries:
        found(client, "riser quay 9")
    assert len(queries) <= 20
