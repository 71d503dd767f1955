"""What an answer reads is bound to a site, a customer or some rows by their keys, or is a page in the order
of an index: every GET route, every filter and every order."""

from __future__ import annotations

import json
import re
from typing import Any, Final
from urllib.parse import parse_qsl

import pytest
from django.db import connection
from django.test import Client

from api.conventions.filters import filter_names
from api.events.subscriptions import subscription_add
from api.pages.urls import PAGES
from api.v1.routes import RESOURCES
from fixtures.fleets.writer import write_fleet
from sites.access.scope import EVERYTHING
from sites.access.selectors import principal_of
from sites.models import Customer, Instrument, Site, User
from tests import factories
from tests.api import get_addresses
from tests.api.conftest import Caller
from tests.api.get_addresses import OF_PEOPLE, ROOT, Addresses, UnknownError
from tests.api.operations_served import Served
from tests.api.permission_table import TABLE
from tests.api.plans import unbound
from tests.api.statements import statements
from tests.api.v1 import plenty
from tests.bench.asking import furnish
from tests.page_addresses import Shown
from zones.models import PointFacts, Run
from zones.recheck.batch import check

SITES: Final = 20
"""Some of everything, findings too."""
LISTS: Final = {f"{ROOT}/{name}" for name in RESOURCES}
MAY: Final[dict[str, str]] = {
    "/api/v1/search": "looks through all names for what is written like the words; it has a benchmark",
}
"""Routes that read through what grows with the fleet, each with its reason."""


@pytest.mark.slow
def test_no_answer_reads_through_what_grows_with_the_fleet(with_token: Caller) -> None:
    write_fleet(sites=SITES, seed=1)
    furnish()
    check(list(Site.objects.values_list("pk", flat=True)))
    asker = factories.make_user(User.Role.MANAGER, all_customers=True)
    subscription_add(principal=principal_of(asker), name="desk", url="https://desk.example.com/")
    everything = with_token(asker)
    found: dict[str, list[str]] = {}
    looked_at: set[str] = set()
    routes: set[str] = set()
    for address in Addresses(lambda path: json.loads(_get(everything, path))):
        routes.add(address.route)
        with statements() as sent:
            _get(everything, _short(address.path) if address.route in LISTS else address.path)
        for statement in sent:
            # Which row it asks for makes no other plan
            alike = re.sub(r"\d+", "0", statement)
            if alike not in looked_at and address.route not in MAY:
                looked_at.add(alike)
                if tables := unbound(statement):
                    found.setdefault(str(address), []).extend(tables)
    assert routes == {route for method, route in TABLE if method == "GET"} - OF_PEOPLE
    assert not found, "\n".join(f"{address}: {', '.join(tables)}" for address, tables in found.items())


def test_no_page_reads_through_what_grows_with_the_fleet(logged_in: Caller, shown: Shown) -> None:
    everybody = logged_in(factories.make_user(User.Role.MANAGER, all_customers=True))
    of_pages: dict[str, str] = {}
    for row in PAGES:
        address = shown.address(row)
        with statements() as sent:
            answer = everybody.get(address, follow=True)
        assert answer.status_code == 200, row.name
        assert sent, row.name
        # Which row it asks for makes no other plan
        of_pages |= {re.sub(r"\d+", "0", statement): f"{row.name}: {statement}" for statement in sent}
    found = {said: tables for said in of_pages.values() if (tables := unbound(said.partition(": ")[2]))}
    assert not found


def test_a_route_of_which_nothing_is_known_is_not_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    new = Served("GET", f"{ROOT}/weather", None, "", {})
    monkeypatch.setattr(get_addresses, "served", lambda: [new])
    with pytest.raises(UnknownError, match="/api/v1/weather: name its queries in PLAIN"):
        list(Addresses(lambda _path: {}))


def _short(path: str) -> str:
    """A page of five is read along the same way as a whole one, and is shown in less time."""
    return path if "page_size" in path else f"{path}{'&' if '?' in path else '?'}page_size=5"


def _get(client: Client, path: str) -> bytes:
    answer = client.get(path)
    assert answer.status_code == 200, (path, answer.content)
    return answer.content


@pytest.mark.parametrize(
    ("statement", "tables"),
    [
        ("SELECT * FROM landing WHERE site_id = 1 AND pair = 3 ORDER BY pair", []),
        ("SELECT * FROM landing WHERE pair = 3", ["landing"]),
        ("SELECT * FROM landing WHERE site_id = 1 OR pair = 3", ["landing"]),
        ("SELECT * FROM landing ORDER BY id LIMIT 101", []),
        ("SELECT * FROM landing ORDER BY pair LIMIT 101", ["landing"]),
        ("SELECT count(*) FROM (SELECT FROM landing ORDER BY id) l", ["landing"]),
        ("SELECT * FROM point_facts WHERE run_id = ANY('{1,2}')", ["point_facts"]),
        ("SELECT * FROM point_facts WHERE site_id = ANY('{1,2}')", []),
        ("SELECT * FROM point_facts WHERE model_id = 1", ["point_facts"]),
        ("SELECT * FROM point_facts WHERE model_id = 1 ORDER BY point_id LIMIT 101", []),
        ("SELECT * FROM run JOIN block b ON b.id = run.block_id WHERE b.closet_id = 5", []),
        ("SELECT * FROM run JOIN zone ON run.note = zone.note WHERE zone.id = 5", ["run"]),
        (
            "SELECT * FROM point_facts WHERE point_id IN (SELECT id FROM point WHERE name = 'x')",
            ["point", "point_facts"],
        ),
        ("SELECT * FROM device_model", []),
    ],
)
def test_the_plan_shows_what_leads_to_the_rows(db: None, statement: str, tables: list[str]) -> None:
    assert unbound(statement) == tables


@pytest.mark.parametrize(
    ("query", "order"),
    [
        ("change-sets?happened_from=2026-11-20&happened_until=2026-11-23", "-happened_on"),
        ("change-sets?kind=correction", "-happened_on"),
        ("change-sets?purpose=redline&state=draft", "-id"),
        ("change-sets?order=-recorded_at", "-recorded_at"),
        ("sites?covered_on=2026-11-23", "name"),
        ("coverages?on=2026-11-23", "id"),
        ("findings?opened_from=2026-11-20T00:00:00Z&code=supply_current", "-opened_at"),
        ("findings?order=-opened_at&state=cleared", "-opened_at"),
        ("cases?opened_from=2026-11-20T00:00:00Z&cleared=any", "-opened_at"),
        ("tests?taken_from=2026-11-20&kind=run_current", "-taken_on"),
        ("tests?taken_from=2026-11-20&instrument_record_id=1", "-taken_on"),
        ("endpoints?warranty_before=2027-01-01", "warranty_end"),
        ("supplies?battery_before=2022-01-01", "battery"),
        ("zones?life_safety=unknown", "id"),
        ("runs?kind=constant_voltage", "id"),
    ],
)
def test_what_a_manager_asks_of_all_customers_is_answered_in_the_order_that_is_served(
    with_token: Caller, query: str, order: str
) -> None:
    everything = with_token(factories.make_user(User.Role.MANAGER, all_customers=True))
    with statements() as sent:
        _get(everything, f"{ROOT}/{query}")
    assert not [tables for statement in sent if (tables := unbound(statement))]
    path, _, asked = query.partition("?")
    view = RESOURCES[path]()
    values: Any = view.spec_of("list").query(data=dict(parse_qsl(asked)))
    values.is_valid(raise_exception=True)
    assert values.sort(filter_names(view.filterset_class), view.ordering, EVERYTHING) == order


@pytest.mark.parametrize(
    ("query", "parameter", "instead"),
    [
        ("points?order=rank", "order", "or sort by id"),
        ("points?order=name", "order", "or sort by id"),
        ("runs?ended=yes", "ended", "give site_id or customer_id"),
        ("tests?instrument_record_id=1&state=idle", "state", "give site_id or customer_id"),
        ("change-sets?actor=ida", "actor", "give site_id or customer_id"),
        ("change-sets?done_by=larkmoor", "done_by", "give site_id or customer_id"),
    ],
)
def test_who_sees_all_customers_names_one_where_no_index_leads(
    customer: Customer, with_token: Caller, query: str, parameter: str, instead: str
) -> None:
    site = factories.make_site(customer)
    everything = with_token(factories.make_user(User.Role.MANAGER, all_customers=True))
    answer = everything.get(f"{ROOT}/{query}")
    (error,) = answer.json()["errors"]
    assert (answer.status_code, error["parameter"], error["code"]) == (400, parameter, "unbound")
    assert instead in error["detail"]
    assert everything.get(f"{ROOT}/{query}&site_id={site.pk}").status_code == 200
    assert everything.get(f"{ROOT}/{query}&customer_id={customer.pk}").status_code == 200
    one = with_token(factories.make_user(User.Role.READER, customers=[customer]))
    assert one.get(f"{ROOT}/{query}").status_code == 200


@pytest.mark.parametrize(
    ("path", "table", "joined"),
    [
        # A page is read in the order of rows of all the customer's landings; their blocks for the page alone
        ("landings?customer_id={customer}", "landing", "block"),
        # The cases were read before; their findings are found by their keys
        ("cases?customer_id={customer}&cleared=any", "finding", "case"),
    ],
)
def test_what_is_shown_beside_a_row_is_not_read_through_with_a_join(
    with_token: Caller, path: str, table: str, joined: str
) -> None:
    write_fleet(sites=SITES, seed=1)
    check(list(Site.objects.values_list("pk", flat=True)))
    everything = with_token(factories.make_user(User.Role.MANAGER, all_customers=True))
    customer_id = Customer.objects.values_list("pk", flat=True).order_by("pk")[0]
    with statements() as sent:
        _get(everything, f"{ROOT}/{path.format(customer=customer_id)}")
    reading = [statement for statement in sent if f' FROM "{table}"' in statement]
    assert reading
    assert not [statement for statement in reading if f'JOIN "{joined}"' in statement]


@pytest.mark.parametrize("resource", ["cases", "findings"])
def test_the_sites_of_a_contract_are_looked_up_before_what_they_have(
    customer: Customer, with_token: Caller, resource: str
) -> None:
    contract = factories.make_contract(customer)
    everything = with_token(factories.make_user(User.Role.MANAGER, all_customers=True))
    with statements() as sent:
        _get(everything, f"{ROOT}/{resource}?contract_id={contract.pk}")
    (page,) = (one for one in sent if '"coverage"' in one and "LIMIT" in one)
    assert re.search(r'"site_id" = ANY\(ARRAY\(SELECT [^()]*FROM "coverage"', page), page


def test_the_tests_of_one_instrument_are_read_along_an_index_of_theirs(
    customer: Customer, with_token: Caller
) -> None:
    """Along the days, tests of all other instruments would be looked at too."""
    plenty.add(plenty.one_hall(customer), 10)
    everything = with_token(factories.make_user(User.Role.MANAGER, all_customers=True))
    asked = f"instrument_record_id={Instrument.objects.values_list('pk', flat=True)[0]}"
    with statements() as sent:
        _get(everything, f"{ROOT}/tests?{asked}&taken_from=2020-01-01")
    (page,) = (one for one in sent if ' FROM "reading"' in one and "LIMIT" in one)
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE reading")
        cursor.execute("SET LOCAL enable_seqscan = off")
        cursor.execute("SET LOCAL enable_sort = off")
        cursor.execute(f"EXPLAIN {page}")
        plan = " ".join(line for (line,) in cursor.fetchall())
    assert re.search(
        r"Index Scan Backward using reading_by_instrument.*?Index Cond: \(\(instrument_record_id = ", plan
    )


def test_the_database_knows_that_the_site_of_facts_follows_from_their_run(db: None) -> None:
    """Else it multiplies the share of the site with that of its runs, and expects one row in place of all:
    of 20 sites alike, a twentieth of what there is."""
    write_fleet(sites=SITES, seed=1)
    site_id = Site.objects.order_by("pk").values_list("pk", flat=True)[0]
    run_ids = [*Run.objects.filter(site=site_id).values_list("pk", flat=True)]
    there = PointFacts.objects.filter(site=site_id).count()
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE point_facts")
        cursor.execute(
            "EXPLAIN (FORMAT JSON) SELECT FROM point_facts WHERE site_id = %s AND run_id = ANY(%s)",
            [site_id, run_ids],
        )
        ((plan,),) = cursor.fetchall()
    (explained,) = json.loads(plan) if isinstance(plan, str) else plan
    assert there / 2 < explained["Plan"]["Plan Rows"] < there * 2
