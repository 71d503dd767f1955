"""Search by what identifies a thing, each kind of thing by what people say of it, what follows a change of
the record, and a comparison with a plain search."""

from __future__ import annotations

import random
from datetime import date
from typing import Any

import pytest
from django.db import connection

from sites.access.scope import EVERYTHING, Scope
from sites.models import Customer, SupplyFacts, User
from sites.services.closets import closet_alter, closet_end, contact_add, contact_remove
from sites.services.endpoints import endpoint_alter
from sites.services.sites import site_alter
from tests import factories
from tests.api.conftest import Caller
from zones.models import Case
from zones.search import search

LATER = date(2025, 5, 1)


@pytest.fixture
def hall(customer: Customer) -> dict[str, Any]:
    """One thing of each kind at Quay 9."""
    site = factories.make_site(
        customer, code="quay-9", name="Quay 9", address="4 Harbour Road", out_of_hours_phone="040 555 0199"
    )
    closet = factories.make_closet(site, name="Riser A")
    block = factories.make_block(closet, name="Strip K")
    zone = factories.make_zone(site, name="Ticket hall", page_code="714")
    run = factories.make_run(block, name="Gangway feed")
    (point,) = factories.make_points(run, 1, place="above the luggage belt")
    made: dict[str, Any] = {
        "site": site,
        "closet": closet,
        "block": block,
        "zone": zone,
        "run": run,
        "point": point,
        "endpoint": factories.make_gateway(
            closet, name="GW north", serial="KX-20 77", mac="02:00:5e:aa:01:7f", address="10.4.12.3"
        ),
        "switch": factories.make_switch(closet, name="SW core", serial="ZZ90-1"),
        "supply": factories.make_supply(closet, name="Rectifier 1"),
        "amplifier": factories.make_amplifier(closet, name="Booster 1"),
        "contact": contact_add(
            factories.change(site), name="Maeve Lidgate", role="site", phone="+49 (611) 555-0042 ext. 12"
        ).result,
    }
    made["model"] = SupplyFacts.objects.get(supply=made["supply"].pk).model
    made["ticket"] = Case.objects.create(
        site=site, key="hall", opened_at="2025-01-01T00:00Z", ticket_reference="T-40718"
    )
    made["job"] = closet_alter(
        factories.change(site, happened_on=LATER, job_reference="W25-0311"), closet=closet, room="12"
    ).change_set
    return made


def first(query: str, scope: Scope = EVERYTHING) -> tuple[str, int, bool] | None:
    items = search(query, scope=scope).items
    return (items[0].kind, items[0].id, items[0].exact) if items else None


@pytest.mark.parametrize(
    ("typed", "kind"),
    [
        ("02:00:5e:aa:01:7f", "endpoint"),
        ("0200.5EAA.017F", "endpoint"),
        ("02-00-5E-AA-01-7F", "endpoint"),
        ("kx2077", "endpoint"),
        ("KX-20 77", "endpoint"),
        ("10.4.12.3", "endpoint"),
        ("zz90-1", "switch"),
        ("714", "zone"),
        ("W25-0311", "job"),
        ("w25-0311", "job"),
        ("T-40718", "ticket"),
        ("t-40718", "ticket"),
        ("+49 611 5550042", "contact"),
        ("0049 611 555 00 42", "contact"),
        ("0611/5550042", "contact"),
        ("5550042", "contact"),
        ("555-0042 x12", "contact"),
        ("0405550199", "site"),
        ("quay-9", "site"),
        ("Ticket hall", "zone"),
        ("strip k", "block"),
    ],
)
def test_what_identifies_a_thing_finds_it_exactly(hall: dict[str, Any], typed: str, kind: str) -> None:
    assert first(typed) == (kind, hall[kind].pk, True)
    assert search(typed, scope=EVERYTHING).nowhere == []


@pytest.mark.parametrize(
    ("typed", "kind"),
    [
        ("gangway fed quay", "run"),
        ("lugage belt", "point"),
        ("rectifer", "supply"),
        ("boster quay", "amplifier"),
        ("gw nroth", "endpoint"),
        ("sw core harbour", "switch"),
        ("meave lidgate", "contact"),
        ("strand ferries riser", "closet"),
        ("tick", "zone"),
    ],
)
def test_each_kind_is_found_by_its_words(hall: dict[str, Any], typed: str, kind: str) -> None:
    found = first(typed)
    assert found is not None
    assert found[:2] == (kind, hall[kind].pk)


def test_a_model_is_found_by_its_name(hall: dict[str, Any]) -> None:
    found = first(hall["model"].name)
    assert found == ("model", hall["model"].pk, True)


def test_an_address_is_not_another_with_the_same_digits(hall: dict[str, Any]) -> None:
    assert not any(one.exact for one in search("10.41.2.3", scope=EVERYTHING).items)


def test_each_path_is_answered(hall: dict[str, Any], manager: User, with_token: Caller) -> None:
    client = with_token(manager)
    for kind in hall:
        said = {"ticket": "T-40718", "job": "W25-0311", "contact": "lidgate", "point": "luggage"}
        typed = said.get(kind) or hall[kind].name
        (one,) = [o for o in client.get("/api/v1/search", {"q": typed}).json()["items"] if o["kind"] == kind][
            :1
        ]
        assert client.get(f"/api/v1/{one['path']}").status_code == 200, one


def test_a_word_that_stands_nowhere_is_named(hall: dict[str, Any]) -> None:
    found = search("xylophone riser", scope=EVERYTHING)
    assert found.nowhere == ["xylophone"]
    assert found.items[0].kind == "closet"
    beside = search("xylophone KX-2077 QQ-8", scope=EVERYTHING)
    assert beside.nowhere == ["xylophone", "qq", "8"]
    assert (beside.items[0].kind, beside.items[0].exact) == ("endpoint", True)


def test_neither_results_nor_missing_words_tell_of_others(
    hall: dict[str, Any], other_customer: Customer, customer: Customer
) -> None:
    ours = Scope(frozenset({customer.pk}))
    typed = ["xylophone", "xylophnoe riser", "02005eaa0180", "+1 303 555 7777", "T-9", "W-9", "riser"]
    before = [search(one, scope=ours) for one in typed]
    other = factories.make_site(other_customer, name="Xylophone", out_of_hours_phone="303 555 7777")
    closet = factories.make_closet(other, name="Xylophone riser")
    factories.make_gateway(closet, mac="02:00:5e:aa:01:80")
    Case.objects.create(site=other, key="x", opened_at="2025-01-01T00:00Z", ticket_reference="T-9")
    closet_alter(factories.change(other, happened_on=LATER, job_reference="W-9"), closet=closet, room="1")
    assert [search(one, scope=ours) for one in typed] == before
    assert all(search(one, scope=EVERYTHING).items for one in typed)
    assert before[0].nowhere == ["xylophone"]


def test_what_was_renamed_is_found_by_its_new_name_only(hall: dict[str, Any]) -> None:
    closet_alter(factories.change(hall["site"], happened_on=LATER), closet=hall["closet"], name="Loft")
    assert first("loft") == ("closet", hall["closet"].pk, True)
    assert ("closet", hall["closet"].pk) not in {
        (o.kind, o.id) for o in search("riser a", scope=EVERYTHING).items
    }


def test_things_are_found_by_the_new_name_of_their_site(hall: dict[str, Any]) -> None:
    site_alter(factories.change(hall["site"], happened_on=LATER), name="Pier 40")
    assert first("pier riser") == ("closet", hall["closet"].pk, False)


def test_a_new_address_is_found_and_the_old_is_not(hall: dict[str, Any]) -> None:
    endpoint_alter(
        factories.change(hall["site"], happened_on=LATER), endpoint=hall["endpoint"], address="10.9.9.9"
    )
    assert first("10.9.9.9") == ("endpoint", hall["endpoint"].pk, True)
    assert not any(one.exact for one in search("10.4.12.3", scope=EVERYTHING).items)


def test_a_contact_that_left_is_not_found(hall: dict[str, Any]) -> None:
    contact_remove(factories.change(hall["site"], happened_on=LATER), contact=hall["contact"])
    found = search("+49 611 5550042", scope=EVERYTHING).items  # 49 may be a word of something else
    assert "contact" not in [one.kind for one in found]


def test_what_ended_comes_last(hall: dict[str, Any]) -> None:
    old = factories.make_closet(hall["site"], name="Riser B")
    closet_end(factories.change(hall["site"], happened_on=LATER), closet=old)
    items = search("riser b", scope=EVERYTHING, kinds=("closet",)).items
    assert [(one.id, one.ended) for one in items][-1] == (old.pk, True)


def test_as_a_plain_search_finds(customer: Customer, other_customer: Customer) -> None:
    """All words in the names of a thing and its site, in any order, among invented names."""
    rng = random.Random(5)
    words = ["amber", "birch", "cedar", "dune", "elm", "fjord", "grove", "heath"]
    texts: dict[tuple[str, int], tuple[int, set[str]]] = {}
    for number in range(6):
        owner = customer if number % 2 else other_customer
        around = rng.sample(words, 2)
        site = factories.make_site(owner, name=" ".join(around), code=f"s{number}", address="", city="")
        texts["site", site.pk] = owner.pk, {*around, f"s{number}"}
        for _ in range(5):
            own = rng.sample(words, 2)
            zone = factories.make_zone(site, name=f"{' '.join(own)} {factories.next_number()}")
            texts["zone", zone.pk] = owner.pk, {*own, *around}
    for _ in range(60):
        asked = rng.sample(words, rng.choice((1, 2, 3)))
        scope = Scope(frozenset({customer.pk}))
        plain = {key for key, (of, has) in texts.items() if of == customer.pk and {*asked} <= has}
        found = {
            (o.kind, o.id)
            for o in search(" ".join(asked), scope=scope, kinds=("site", "zone"), most=100).items
        }
        if plain:
            assert found == plain, asked
        else:
            assert found <= {key for key, (of, _) in texts.items() if of == customer.pk}


def test_the_filling_makes_what_the_trigger_keeps(hall: dict[str, Any]) -> None:
    with connection.cursor() as cursor:
        rows = "SELECT e.*, own::text, doc::text FROM search_entry e ORDER BY 1, 2"
        cursor.execute(rows)
        kept = cursor.fetchall()
        cursor.execute("DELETE FROM search_entry")
        for kind, table in ((1, "customer"), (3, "device_model")):
            cursor.execute(f"SELECT zonebook_search_keep({kind}::smallint, array_agg(id)) FROM {table}")
        cursor.execute("SELECT zonebook_search_keep_site(id) FROM site")
        cursor.execute(rows)
        assert cursor.fetchall() == kept
