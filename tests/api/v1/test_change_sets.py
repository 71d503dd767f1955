"""Change sets over REST: drafted, looked at, revised, accepted, withdrawn; and the record of what was
written."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from sites.changes.making import change_context
from sites.changes.services import change_set_revise, open_change_sets
from sites.models import DeviceModel
from sites.models.access import User
from sites.models.changes import REWROTE, Change, ChangeSet
from tests import factories
from tests.api.conftest import Caller
from tests.api.v1.asking import ROOT, as_described, etag_of, get, patch, post
from tests.halls import Hall, more_speakers
from zones.models import Point, Zone
from zones.services.points import point_alter

BUILT = factories.BUILT_ON
LATER = BUILT + dt.timedelta(days=100)


@pytest.fixture
def client(technician: User, with_token: Caller) -> Client:
    return with_token(technician)


def draft(client: Client, hall: Hall, operations: list[dict[str, Any]], **said: Any) -> Any:
    body = {"site_id": hall.site.pk, "reason": "more sound", "operations": operations, **said}
    return post(client, "change-sets", body)


def refused(client: Client, address: str, body: Any, etag: str = "") -> Any:
    headers = {"If-Match": etag} if etag else {}
    answer = client.post(f"{ROOT}/{address}", body, content_type="application/json", headers=headers)
    as_described(answer, "post")
    return answer


def test_a_draft_is_kept_and_nothing_else(hall: Hall, client: Client) -> None:
    answer = draft(client, hall, more_speakers(hall), purpose="plan", job_reference="Q-12")
    made = answer.json()
    assert answer["Location"] == f"{ROOT}/change-sets/{made['id']}"
    assert (made["state"], made["kind"], made["purpose"], made["channel"]) == (
        "draft",
        "work",
        "plan",
        "rest",
    )
    assert (made["actor"], made["job_reference"], made["recorded_at"]) == ("Rune Vale", "Q-12", None)
    assert made["operations"] == more_speakers(hall), "as they were sent"
    assert Point.objects.filter(run=hall.run).count() == 30
    assert get(client, f"change-sets/{made['id']}") == made


def test_a_draft_is_evaluated_in_words_and_figures(
    hall: Hall, client: Client, reader: User, with_token: Caller
) -> None:
    made = draft(client, hall, more_speakers(hall)).json()
    changes = Change.objects.count()
    found = post(with_token(reader), f"change-sets/{made['id']}/evaluate", {}, status=200).json()
    supply = found["items"][0]
    assert (supply["code"], supply["crosses"], supply["clears"]) == ("supply_current", True, False)
    assert supply["subject"]["name"] == "supply PS 1"
    # by hand: 40 and 52 speakers at 40 mA
    assert supply["before"]["likely"] == pytest.approx(1.60)
    assert supply["after"]["likely"] == pytest.approx(2.08)
    assert (supply["before"]["verdict"], supply["after"]["verdict"]) == ("cannot_tell", "past")
    assert supply["after"]["headroom_likely"] == pytest.approx(-0.3)
    assert supply["sentence"].endswith("from 1.60 A to 2.08 A; limit 1.60 A. Past; before cannot tell.")
    assert found["crosses"]
    assert found["summary"].startswith("Supply current of supply PS 1")
    assert Change.objects.count() == changes
    assert ChangeSet.objects.get(pk=made["id"]).state == "draft"


def test_accepted_it_is_the_record(hall: Hall, client: Client) -> None:
    answer = draft(client, hall, more_speakers(hall))
    made = answer.json()
    accepted = post(
        client,
        f"change-sets/{made['id']}/accept",
        {"happened_on": LATER.isoformat(), "job_reference": "LS-1", "done_by": "Hallam Crew"},
        status=200,
        etag=answer["ETag"],
    )
    body = accepted.json()
    assert (body["id"], body["state"], body["happened_on"]) == (made["id"], "accepted", LATER.isoformat())
    assert body["recorded_at"] is not None
    assert (body["done_by"], body["actor"], made["done_by"]) == ("Hallam Crew", "Rune Vale", "")
    assert [result["op"] for result in body["results"]] == ["point.append"] * 12
    ids = [result["ids"][0] for result in body["results"]]
    assert [result["label"] for result in body["results"][:2]] == ["n0", "n1"]
    assert get(client, f"points/{ids[1]}")["after_id"] == ids[0]
    assert get(client, f"zones/{hall.zone.pk}/load")["verdict"] == "past"
    assert accepted["ETag"] == etag_of(client, f"change-sets/{made['id']}")


def test_an_accepted_one_never_changes(hall: Hall, client: Client) -> None:
    answer = draft(client, hall, more_speakers(hall))
    address = f"change-sets/{answer.json()['id']}"
    accepted = post(client, f"{address}/accept", {}, status=200, etag=answer["ETag"])
    again = refused(client, f"{address}/accept", {}, accepted["ETag"])
    assert (again.status_code, "accepted" in again.json()["detail"]) == (409, True)
    assert refused(client, f"{address}/evaluate", {}).status_code == 409
    revised = patch(client, address, {"reason": "another"}, accepted["ETag"], status=409)
    assert "never changes" in revised.json()["detail"]


def test_a_draft_is_revised_withdrawn_and_taken_up_again(hall: Hall, client: Client) -> None:
    answer = draft(client, hall, more_speakers(hall))
    address = f"change-sets/{answer.json()['id']}"
    fewer = patch(client, address, {"operations": more_speakers(hall)[:3], "reason": "fewer"}, answer["ETag"])
    assert (len(fewer.json()["operations"]), fewer.json()["reason"]) == (3, "fewer")
    stale = patch(client, address, {"reason": "mine"}, answer["ETag"], status=412)
    assert stale["ETag"] == fewer["ETag"]
    aside = post(client, f"{address}/withdraw", {}, status=200, etag=fewer["ETag"])
    assert aside.json()["state"] == "withdrawn"
    assert "withdrawn" in refused(client, f"{address}/accept", {}, aside["ETag"]).json()["detail"]
    again = patch(client, address, {"reason": "after all"}, aside["ETag"])
    assert (again.json()["state"], len(again.json()["operations"])) == ("draft", 3)


@pytest.mark.parametrize("what", ["accept", "withdraw"])
def test_the_version_that_is_meant_must_be_said(hall: Hall, client: Client, what: str) -> None:
    address = f"change-sets/{draft(client, hall, more_speakers(hall)).json()['id']}"
    assert refused(client, f"{address}/{what}", {}).status_code == 428
    assert refused(client, f"{address}/{what}", {}, '"99"').status_code == 412


def test_a_revision_between_reading_and_accepting_is_stale(
    hall: Hall, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Someone revises the draft after its version was compared and before it is locked."""
    answer = draft(client, hall, more_speakers(hall))
    made = ChangeSet.objects.get(pk=answer.json()["id"])

    from api.v1.change_sets import ChangeSetViewSet

    whole = ChangeSetViewSet.validated_body

    def body(self: ChangeSetViewSet) -> dict[str, Any]:
        change_set_revise(change_set=made, reason="meanwhile")
        return whole(self)

    monkeypatch.setattr(ChangeSetViewSet, "validated_body", body)
    late = refused(client, f"change-sets/{made.pk}/accept", {}, answer["ETag"])
    assert late.status_code == 412
    made.refresh_from_db()
    assert (made.state, made.reason) == ("draft", "meanwhile")


def test_no_list_reads_the_rows_that_an_import_rewrote(hall: Hall, client: Client) -> None:
    """300 kB of one change set: read for each of 500 on a page, they would be 150 MB."""
    rows = [{"before": {"note": "was"}, "after": {"note": "is" * 10}} for _ in range(5_000)]
    rewrote = [{"op": REWROTE, "table": "point_facts", "rows": rows}]
    change = factories.change(hall.site, kind=ChangeSet.Kind.CORRECTION, happened_on=factories.BUILT_ON)
    with connection.cursor() as cursor:
        cursor.execute("SELECT nextval(pg_get_serial_sequence('change_set', 'id'))")
        (number,) = cursor.fetchone()
    with open_change_sets([change], {number: rewrote}) as (made,), change_context(made):
        Zone.objects.filter(pk=hall.zone.pk).update(name="Hall", change_set_id=number)
    assert len(ChangeSet.objects.get(pk=number).operations[0]["rows"]) == 5_000
    for address, query in (("change-sets", {}), ("changes", {"expand": "change_set"})):
        with CaptureQueriesContext(connection) as statements:
            found = get(client, address, site_id=hall.site.pk, **query)["items"]
        shown = next(one for one in found if number in (one["id"], one.get("change_set_id")))
        assert shown.get("change_set", shown)["operations"] == []
        for statement in statements:
            if statement["sql"].startswith("SELECT"):
                with connection.cursor() as cursor:
                    cursor.execute(statement["sql"])
                    assert sum(len(str(row)) for row in cursor.fetchall()) < 50_000, statement["sql"]


def test_a_conflict_names_the_operation_and_the_change_set_in_between(hall: Hall, client: Client) -> None:
    operations = [
        {"op": "zone.alter", "zone_id": hall.zone.pk, "note": "seen"},
        {"op": "point.alter", "point_id": hall.points[3].pk, "place": "over the gate"},
    ]
    answer = draft(client, hall, operations)
    address = f"change-sets/{answer.json()['id']}"
    between = point_alter(
        factories.change(hall.site, reason="moved", actor="Ida Lark"),
        point=hall.points[3],
        place="by the door",
    ).change_set
    for late in (
        refused(client, f"{address}/accept", {}, answer["ETag"]),
        refused(client, f"{address}/evaluate", {}),
    ):
        assert late.status_code == 409
        (error,) = late.json()["errors"]
        assert error["pointer"] == "/operations/1"
        assert f"before change set {between.pk}" in error["detail"]
        assert "“moved” (Ida Lark)" in error["detail"]
    assert get(client, f"zones/{hall.zone.pk}")["note"] == "", "nothing was half written"


@pytest.mark.parametrize(
    ("body", "pointer", "stated"),
    [
        ({"operations": []}, "/operations", "at least one operation"),
        ({"operations": "x"}, "/operations", "Expected a list"),
        ({"operations": [{"op": "point.apend"}]}, "/operations/0/op", "Did you mean point.append?"),
        ({"operations": [{"op": "\ud800"}]}, "/operations/0/op", r"There is no operation '\ud800'."),
        ({"operations": [{"op": "point.remove"}]}, "/operations/0/point_id", "point_id is missing"),
        ({"operations": ["x"]}, "/operations/0", "Expected an object"),
        (
            {"operations": [{"op": "device_model.add", "name": "x", "kind": "horn"}]},
            "/operations/0/op",
            "does not belong to one site",
        ),
        (
            {"operations": [{"op": "site.add", "customer_id": 1, "code": "a", "name": "b"}]},
            "/operations/0/op",
            "does not belong to one site",
        ),
        ({"reason": " "}, "/reason", "blank"),
        ({"purpose": "plna"}, "/purpose", "Did you mean plan?"),
        ({"happened_on": "yesterday"}, "/happened_on", "Expected a day"),
        ({"site_id": 999999999}, "/site_id", "There is no site 999999999"),
        ({"operation": []}, "/operation", "Did you mean operations?"),
    ],
)
def test_a_bad_draft_is_refused_where_it_is_wrong(
    hall: Hall, client: Client, body: dict[str, Any], pointer: str, stated: str
) -> None:
    good = {"site_id": hall.site.pk, "reason": "why", "operations": more_speakers(hall)}
    answer = refused(client, "change-sets", {**good, **body})
    assert answer.status_code == 400, answer.content
    errors = {error["pointer"]: error["detail"] for error in answer.json()["errors"]}
    assert stated in errors[pointer]
    assert ChangeSet.objects.filter(state="draft").count() == 0


def test_what_the_record_refuses_points_into_the_operation(hall: Hall, client: Client) -> None:
    elsewhere = factories.make_run(factories.make_block())
    operations = [
        *more_speakers(hall)[:2],
        {"op": "point.append", "run_id": elsewhere.pk},
    ]
    answer = refused(
        client, "change-sets", {"site_id": hall.site.pk, "reason": "why", "operations": operations}
    )
    assert answer.status_code == 400
    (error,) = answer.json()["errors"]
    assert error["pointer"] == "/operations/2/run_id"
    assert error["detail"] == f"There is no run {elsewhere.pk} on this site."


def test_too_many_operations_at_once(hall: Hall, client: Client) -> None:
    operations = [{"op": "zone.alter", "zone_id": hall.zone.pk, "note": str(n)} for n in range(501)]
    answer = refused(
        client, "change-sets", {"site_id": hall.site.pk, "reason": "why", "operations": operations}
    )
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (400, "/operations")
    assert "500" in answer.json()["detail"]


# --- lists and the record -----------------------------------------------------------------------------------


def test_change_sets_are_found(hall: Hall, client: Client) -> None:
    made = draft(client, hall, more_speakers(hall), job_reference="Q-12", purpose="plan").json()

    def found(**query: Any) -> list[int]:
        return [item["id"] for item in get(client, "change-sets", **query)["items"]]

    assert found(site_id=hall.site.pk, state="draft") == [made["id"]]
    assert found(job_reference="q-12") == found(purpose="plan") == found(actor="rune") == [made["id"]]
    recorded = found(site_id=hall.site.pk, state="accepted")
    assert len(recorded) > 10
    assert recorded == sorted(recorded, reverse=True)
    day = (BUILT + dt.timedelta(days=1)).isoformat()
    assert found(happened_from=day) == []
    assert set(found(happened_until=BUILT.isoformat())) == set(recorded)
    by_day = get(
        client, "change-sets", site_id=hall.site.pk, order="happened_on", page_size=500, expand="site"
    )
    assert by_day["items"][-1]["id"] == made["id"], "a draft without a day comes last"
    assert by_day["items"][0]["site"]["id"] == hall.site.pk


def test_the_record_says_what_was_written(hall: Hall, client: Client) -> None:
    change_set = point_alter(
        factories.change(hall.site, happened_on=LATER), point=hall.points[3], place="by the door"
    ).change_set
    (change,) = get(client, "changes", change_set_id=change_set.pk, expand="change_set")["items"]
    assert (change["table"], change["done"], change["row_count"]) == ("point_facts", "added", 1)
    assert change["change_set"]["reason"] == "as built"
    assert "new_rows" not in change
    whole = get(client, f"changes/{change['id']}")
    assert get(client, f"changes/{change['id']}", fields="id,new_rows") == {
        "id": change["id"],
        "new_rows": whole["new_rows"],
    }
    assert get(client, f"changes/{change['id']}", fields="id") == {"id": change["id"]}
    assert whole["new_rows"][0]["place"] == "by the door"
    assert whole["old_rows"] is None
    assert get(client, "changes", site_id=hall.site.pk, table="zone")["items"]


def test_what_all_sites_share_is_seen_by_those_who_see_all(
    hall: Hall, client: Client, manager: User, with_token: Caller
) -> None:
    factories.make_model(DeviceModel.Kind.HORN)
    shared = ChangeSet.objects.filter(site__isnull=True).latest("id")
    assert client.get(f"{ROOT}/change-sets/{shared.pk}").status_code == 404
    everything = with_token(manager)
    assert get(everything, f"change-sets/{shared.pk}", expand="site")["site"] is None
    (change,) = get(everything, "changes", change_set_id=shared.pk)["items"]
    assert change["site_id"] is None


def test_an_outsider_sees_no_draft(hall: Hall, client: Client, outsider: User, with_token: Caller) -> None:
    made = draft(client, hall, more_speakers(hall)).json()
    other = with_token(factories.make_user(User.Role.MANAGER, customers=[factories.make_customer()]))
    assert other.get(f"{ROOT}/change-sets/{made['id']}").status_code == 404
    assert refused(other, f"change-sets/{made['id']}/evaluate", {}).status_code == 404
    assert get(other, "change-sets", site_id=hall.site.pk)["items"] == []
    body = {"site_id": hall.site.pk, "reason": "why", "operations": more_speakers(hall)}
    assert refused(other, "change-sets", body).json()["detail"] == f"There is no site {hall.site.pk}."
