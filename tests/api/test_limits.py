"""What a caller sends has limits, an error has a limit, and so has an answer."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.db import IntegrityError, connection, transaction
from django.test import Client
from django.test.utils import CaptureQueriesContext

from api.conventions import sizes
from api.conventions.bodies import FastJSONRenderer
from api.conventions.bulk_writing import MOST_ITEMS
from api.conventions.filters import LARGEST_PAGE
from api.conventions.problems import LARGEST_BODY_BYTES
from api.conventions.schema import description
from api.conventions.sizes import fitting, within_limit
from sites.changes.errors import MOST_NAMED, ChangeRefused, Problem
from sites.changes.parameters import MOST_IDS
from sites.changes.services import open_change_set
from sites.models import Closet, Contact
from sites.models.access import User
from sites.models.changes import MOST_OPERATIONS, MOST_REWRITTEN, Change, ChangeSet
from sites.services.closets import contact_add
from tests import factories
from tests.api.conftest import Caller
from tests.api.v1.asking import ROOT, as_described, get
from tests.halls import Hall, make_hall
from tests.sites.test_limits import unlimited
from tests.zones.asbuilt.folders import pier, take
from zones.models import Zone

WHY = {"reason": "as built", "happened_on": "2026-11-20"}
NOTE = "x" * 4_000_000
GROUPS = [f"g{number}" for number in range(200_000)]
IDS = list(range(10**6, 10**6 + 400_000))
SMALL = 10_000


@pytest.fixture
def hall(closet: Closet) -> Hall:
    return make_hall(closet, factories.make_block(closet))


@pytest.fixture
def client(technician: User, with_token: Caller) -> Client:
    return with_token(technician)


def refused(answer: Any, pointer: str, right: str) -> None:
    """A small answer that says where and what would be right."""
    assert answer.status_code == 400, answer.content[:1000]
    assert len(answer.content) < SMALL
    (error,) = [one for one in answer.json()["errors"] if one["pointer"] == pointer]
    assert right in error["detail"]


def post(client: Client, address: str, body: Any) -> Any:
    assert len(json.dumps(body)) < LARGEST_BODY_BYTES, "else the body is refused for its size"
    return client.post(f"{ROOT}/{address}", body, content_type="application/json")


def draft(client: Client, hall: Hall, **said: Any) -> Any:
    return post(client, "change-sets", {"site_id": hall.site.pk, "reason": "a plan", "operations": [said]})


# --- what is sent -------------------------------------------------------------------------------------------

TOO_MUCH = [
    pytest.param("note", NOTE, "a text of 0 to 4000 characters", id="a note of 4 MB"),
    pytest.param("groups", GROUPS, "a list of at most 50 items", id="200,000 groups"),
]


@pytest.mark.parametrize(("name", "value", "right"), TOO_MUCH)
def test_too_much_is_refused_by_every_channel(
    hall: Hall, client: Client, name: str, value: Any, right: str
) -> None:
    zones = Zone.objects.count()
    made = {"site_id": hall.site.pk, "name": "Deck", name: value, "change": WHY}
    refused(post(client, "zones", made), f"/{name}", right)
    address = f"{ROOT}/zones/{hall.zone.pk}"
    changed = client.patch(
        address,
        {name: value, "change": WHY},
        content_type="application/json",
        headers={"If-Match": client.get(address)["ETag"]},
    )
    refused(changed, f"/{name}", right)
    refused(draft(client, hall, op="zone.add", name="Deck", **{name: value}), f"/operations/0/{name}", right)
    with (
        pytest.raises(IntegrityError, match=f"zone_{name}_check"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(f"UPDATE zone SET {name} = %s WHERE id = %s", [value, hall.zone.pk])
    folder = pier()
    folder["zones"][0][name] = " | ".join(value) if isinstance(value, list) else value
    with pytest.raises(ChangeRefused) as caught:
        take(folder)
    assert sum(len(problem.detail) for problem in caught.value.problems) < SMALL
    assert Zone.objects.count() == zones


def test_too_many_ids_in_one_act(hall: Hall, client: Client) -> None:
    right = "a list of at most 500 items, each the id of a zone"
    refused(post(client, "paging-sets", {"name": "all", "zone_ids": IDS, "change": WHY}), "/zone_ids", right)
    refused(
        draft(client, hall, op="paging_set.add", name="all", zone_ids=IDS), "/operations/0/zone_ids", right
    )


def test_as_many_ids_as_are_taken_and_none_is_there(hall: Hall, client: Client) -> None:
    """500 places are wrong: the first are named, the others counted."""
    answer = post(client, "paging-sets", {"name": "all", "zone_ids": IDS[:500], "change": WHY})
    assert answer.status_code == 400
    assert len(answer.content) < SMALL
    problem = answer.json()
    assert [one["pointer"] for one in problem["errors"]] == [f"/zone_ids/{n}" for n in range(MOST_NAMED)]
    assert problem["more_errors"] == 480
    assert "500 things to correct in all" in problem["detail"]
    as_described(answer, "post")


def test_too_many_operations(hall: Hall, client: Client) -> None:
    said = {"op": "zone.alter", "zone_id": hall.zone.pk, "note": "seen"}
    body = {"site_id": hall.site.pk, "reason": "a plan", "operations": [said] * (MOST_OPERATIONS + 1)}
    refused(
        post(client, "change-sets", body), "/operations", "Expected 500 operations at most; there are 501."
    )
    with pytest.raises(IntegrityError, match="change_set_operations_limited"), transaction.atomic():
        ChangeSet.objects.create(
            site=hall.site, channel="rest", actor="Rune", reason="a plan", operations=body["operations"]
        )


@pytest.mark.parametrize("address", ["zones", "change-sets", "tokens"])
def test_too_many_names(manager: User, with_token: Caller, address: str) -> None:
    body = {f"n{number:06}": 1 for number in range(200_000)}
    answer = post(with_token(manager), address, body)
    assert answer.status_code == 400
    assert len(answer.content) < 40_000
    problem = answer.json()
    assert len(problem["errors"]) == MOST_NAMED
    assert problem["more_errors"] > 199_980 - MOST_NAMED
    assert "There is no 'n000000' here." in answer.content.decode()


def test_a_name_of_megabytes(hall: Hall, client: Client) -> None:
    for body in ({"n" * 4_000_000: 1, "change": WHY}, {"n" * 4_000_000: 1}):
        answer = post(client, "zones", body)
        assert answer.status_code == 400
        assert len(answer.content) < SMALL
    assert len(draft(client, hall, op="n" * 4_000_000).content) < SMALL


def test_many_ids_and_texts_in_a_token(manager: User, with_token: Caller) -> None:
    body = {"name": NOTE[:2_000_000], "scopes": ["record:read"] * 50_000, "customer_ids": IDS[:100_000]}
    answer = post(with_token(manager), "tokens", body)
    refused(answer, "/name", "Expected at most 120 characters")
    refused(answer, "/scopes", "Expected at most 40 items")
    refused(answer, "/customer_ids", "Expected at most 500 items")


def test_a_list_is_counted_before_its_items_are_read(manager: User, with_token: Caller) -> None:
    body = {"name": "desk", "url": "https://desk.example", "kinds": [{}] * 10_000}
    answer = post(with_token(manager), "subscriptions", body)
    refused(answer, "/kinds", "Expected at most 40 items; this has 10000.")
    assert len(answer.json()["errors"]) == 1, "else each item was read"


def test_a_text_of_a_query_has_a_limit(client: Client) -> None:
    answer = client.get(f"{ROOT}/sites", {"code": "x" * 501})
    (error,) = answer.json()["errors"]
    assert (answer.status_code, error["parameter"]) == (400, "code")
    assert "Expected at most 500 characters" in error["detail"]


def test_a_refusal_names_the_first_places_and_counts_the_rest() -> None:
    refusal = ChangeRefused(Problem(f"p{n}.", "invalid") for n in range(400_000))
    assert str(refusal).startswith("p0.; p1.; ")
    assert str(refusal).endswith("; p19.; and 399,980 more")


def test_every_text_and_list_of_a_request_has_a_limit() -> None:
    found = []
    for path, methods in description()["paths"].items():
        for method, said in methods.items():
            for one in said.get("parameters", []):
                if one["in"] != "path":
                    found += unlimited(one["schema"], f"{method} {path} {one['name']}")
            content = said.get("requestBody", {}).get("content", {})
            for schema in (kind["schema"] for kind in content.values()):
                found += unlimited(resolved(schema), f"{method} {path}")
    assert [one for one in found if not one.endswith("If-Match")] == []


def test_the_readme_has_the_limits() -> None:
    page = (Path(settings.BASE_DIR) / "README.md").read_text(encoding="utf-8")
    for what, limit in (
        ("a body", f"{LARGEST_BODY_BYTES // 2**20} MiB"),
        ("ids in one list of ids", f"{MOST_IDS}"),
        ("operations of a draft, or of any change set", f"{MOST_OPERATIONS};"),
        ("items of a request that makes many", f"{MOST_ITEMS} "),
        ("places that an error names", f"{MOST_NAMED};"),
        ("a page", f"{LARGEST_PAGE} items, and {sizes.LARGEST_ANSWER_BYTES // 2**20} MiB"),
        ("rows that one correction of an import rewrites", f"{MOST_REWRITTEN:,} "),
        ("rows of a change record in one answer", f"{sizes.MOST_LISTED} "),
    ):
        assert f"| {what} | {limit}" in page


def resolved(schema: Any, within: tuple[str, ...] = ()) -> Any:
    """The schema with what it refers to."""
    if isinstance(schema, list):
        return [resolved(one, within) for one in schema]
    if not isinstance(schema, dict):
        return schema
    if "$ref" in schema and schema["$ref"] not in within:
        name = schema["$ref"].rpartition("/")[2]
        return resolved(description()["components"]["schemas"][name], (*within, schema["$ref"]))
    return {name: resolved(inner, within) for name, inner in schema.items() if name != "mapping"}


# --- what is answered ---------------------------------------------------------------------------------------

# Lists that are short by what they say. The place is in the schema of that name
SHORT = {
    "AcceptedChangeSet/results": "one an operation",
    "Attribution/change_set_ids": "those that an attribution names",
    "Block/pulled_rows": "as many as a block has rows",
    "Case/cautions": "one of each caution",
    "ChangeSummary/changes": "what one change set did",
    "Finding/bounds": "three estimates",
    "Finding/cautions": "one of each caution",
    "Finding/overloaded": "three estimates",
    "Landed/items": "the conductors that one act lands",
    "Operations/items": "one of each operation",
    "PagingSet/zone_ids": "as many as a paging set takes",
    "Result/ids": "what one operation made",
    "Results/nowhere": "words of one search",
    "Solved/points": "as many as the request describes",
    "ZoneFigure/bounds": "three estimates",
    "ZoneFigure/overloaded": "three estimates",
}
# Lists that end after 500 items, and what says so. A test below, or of the resource, makes each too long
CUT = {
    "Case/cleared_by",
    "Case/closets",
    "Case/contacts",
    "Case/findings",
    "Case/zones",
    "Closet/contacts",
    "Contract/coverages",
    "Finding/zones",
    "Site/coverages",
    "Zone/figures",
    "Zone/findings",
}


def test_every_long_answer_is_a_page_or_says_what_it_leaves_out() -> None:
    found: set[str] = set()
    named: set[str] = set()
    for path, methods in description()["paths"].items():
        for method, said in methods.items():
            for status, answer in said["responses"].items():
                for kind in answer.get("content", {}).values() if status.startswith("2") else ():
                    found.update(endless(kind["schema"], f"{method} {path}", named))
    left_out = {place for place in found if place.endswith("/left_out")}
    assert {place.partition("/")[0] for place in left_out} == {place.partition("/")[0] for place in CUT}
    # As many as one request makes
    long = {place for place in found - left_out if not place.endswith("BulkMade/items")}
    assert long == CUT | set(SHORT)


def endless(schema: Any, place: str, named: set[str]) -> Iterator[str]:
    """Lists without a limit, in what neither ends early as a whole nor is the list of a page: by the name of
    the schema that they stand in. named: those that were looked at."""
    if isinstance(schema, list):
        for one in schema:
            yield from endless(one, place, named)
    if not isinstance(schema, dict):
        return
    if "$ref" in schema:
        name = schema["$ref"].rpartition("/")[2]
        if name not in named:
            named.add(name)
            yield from endless(description()["components"]["schemas"][name], name, named)
        return
    has = schema.get("properties", {})
    if has.get("left_out", {}).get("description") == sizes.ENDS_EARLY_HELP:
        return
    if schema.get("type") == "array" and "maxItems" not in schema:
        yield place
    for name, inner in schema.items():
        for key, one in inner.items() if name == "properties" else [("", inner)]:
            is_page = key == "items" and "next" in has
            yield from endless(one["items"] if is_page else one, f"{place}/{key}" if key else place, named)


@pytest.fixture
def crowded(hall: Hall, client: Client) -> Hall:
    """A hall whose closet has one contact more than an answer shows."""
    with open_change_set(factories.change(hall.site)):
        Contact.objects.bulk_create(
            Contact(site=hall.site, closet=hall.closet, role="site", name=f"Ada {number:03}")
            for number in range(501)
        )
    return hall


def test_one_contact_too_many_of_a_closet_is_counted(crowded: Hall, client: Client) -> None:
    alone = get(client, f"closets/{crowded.closet.pk}", expand="contacts")
    (item,) = [
        one
        for one in get(client, "closets", site_id=crowded.site.pk, expand="contacts", fields="name")["items"]
        if one["id"] == crowded.closet.pk
    ]
    for closet in (alone, item):
        assert [one["name"] for one in closet["contacts"]] == [f"Ada {number:03}" for number in range(500)]
        assert closet["left_out"] == [{"pointer": "/contacts", "count": 1}]
    assert "left_out" not in get(client, f"closets/{crowded.closet.pk}")


def test_a_list_of_closets_takes_as_many_queries_for_more(crowded: Hall, client: Client) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as sent:
            get(client, "closets", site_id=crowded.site.pk, expand="contacts")
        return len(sent)

    queries()  # the first one reads what a process reads once
    before = queries()
    for name in ("Bo", "Cy", "Dee"):
        closet = factories.make_closet(crowded.site)
        contact_add(factories.change(crowded.site), closet=closet, role=Contact.Role.SITE, name=name)
    assert queries() == before
    with CaptureQueriesContext(connection) as sent:
        get(client, "closets", site_id=crowded.site.pk)
    assert len(sent) == before - 1


@pytest.mark.parametrize("address", ["sites", "contracts"])
def test_covers_beside_a_site_or_a_contract_are_counted(
    hall: Hall, client: Client, monkeypatch: pytest.MonkeyPatch, address: str
) -> None:
    contract = factories.make_contract(hall.site.customer)
    years = [
        factories.make_coverage(contract, hall.site, dt.date(year, 1, 1), dt.date(year, 12, 31))
        for year in (2019, 2021, 2023)
    ]
    row = {"sites": hall.site, "contracts": contract}[address]
    whole = get(client, f"{address}/{row.pk}", expand="coverages")
    assert [one["id"] for one in whole["coverages"]] == [year.pk for year in years]
    assert whole["left_out"] == []
    monkeypatch.setattr(sizes, "MOST_LISTED", 2)
    cut = get(client, f"{address}/{row.pk}", expand="coverages")
    assert (cut["coverages"], cut["left_out"]) == (
        whole["coverages"][:2],
        [{"pointer": "/coverages", "count": 1}],
    )


def test_an_answer_on_one_page_says_what_it_leaves_out() -> None:
    answer = {"name": "C1", "runs": [{"rows": list(range(501))}] * 502, "blocks": [1]}
    cut = within_limit(answer)
    assert len(cut["runs"]) == 500
    assert cut["runs"][0]["rows"] == list(range(500))
    assert (cut["name"], cut["blocks"]) == ("C1", [1])
    assert cut["left_out"][0] == {"pointer": "/runs", "count": 2}
    assert {"pointer": "/runs/0/rows", "count": 1} in cut["left_out"]
    assert within_limit({"blocks": [1]}) == {"blocks": [1], "left_out": []}


def test_the_latest_of_what_is_in_the_order_of_time_stays() -> None:
    cut = within_limit({"entries": list(range(600)), "others": list(range(600))}, latest=["entries"])
    assert (cut["entries"][0], cut["entries"][-1]) == (100, 599)
    assert (cut["others"][0], cut["others"][-1]) == (0, 499)


def test_an_answer_of_long_items_is_cut_further(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sizes, "LARGEST_ANSWER_BYTES", 10_000)
    cut = within_limit({"runs": ["x" * 100] * 400})
    # 500, 250 and 125 are too many of 103 bytes each; of 62 there are 6,386
    assert len(cut["runs"]) == 62
    assert cut["left_out"] == [{"pointer": "/runs", "count": 338}]
    assert fitting(["x" * 100] * 400)[0] == 98  # 10,000 / 102
    assert fitting(["x" * 20_000, "y"]) == (1, b'["%s"]' % (b"x" * 20_000)), "a page has at least one item"


def test_an_answer_that_was_measured_is_not_rendered_again() -> None:
    measured = within_limit({"runs": [1]})
    measured["runs"].append(2)
    assert FastJSONRenderer().render(measured) == b'{"runs":[1],"left_out":[]}'


def test_what_an_answer_was_measured_by_is_what_is_sent() -> None:
    measured = within_limit({"runs": [1]})
    with pytest.raises(TypeError, match="does not support item assignment"):
        measured["runs"] = [2]  # type: ignore[index]
    assert FastJSONRenderer().render(measured) == b'{"runs":[1],"left_out":[]}'


def test_a_page_ends_before_it_is_too_large(
    hall: Hall, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    ids = {factories.make_zone(hall.site, note="x" * 4000).pk for _ in range(10)}
    monkeypatch.setattr(sizes, "LARGEST_ANSWER_BYTES", 20_000)
    seen: list[int] = []
    query: dict[str, Any] = {"page_size": 500, "order": "id"}
    while True:
        answer = client.get(f"{ROOT}/zones", query)
        assert len(answer.content) < 21_000
        page = answer.json()
        seen += [item["id"] for item in page["items"]]
        if page["next"] is None:
            break
        query["cursor"] = page["next"]
    assert seen == sorted(seen)
    assert ids <= set(seen)
    assert len(seen) == len(set(seen)) == Zone.objects.filter(site=hall.site).count()


def test_the_rows_of_a_large_change_come_in_parts(hall: Hall, client: Client) -> None:
    more = factories.make_points(hall.run, 1201, hall.speaker)
    change = Change.objects.filter(site=hall.site, table_name="point", row_count=1200).get()
    shown = [
        get(client, f"changes/{change.pk}", rows_from=first)["new_rows"] for first in (0, 500, 1000, 1500)
    ]
    assert [len(rows) for rows in shown] == [500, 500, 200, 0]
    assert [row["id"] for rows in shown for row in rows] == [point.pk for point in more[1:]]
    assert get(client, f"changes/{change.pk}")["old_rows"] is None
