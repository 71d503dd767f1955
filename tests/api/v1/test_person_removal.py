"""A removed person is named nowhere in the database any more, and what they did stays."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import IntegrityError, connection, transaction
from django.utils import timezone

from sites.access.selectors import principal_of
from sites.access.services import token_make
from sites.changes.errors import ChangeRefused
from sites.models import Closet, Contact, Customer, Event, PersonRemoval, Token
from sites.models.access import User
from sites.models.changes import Change, ChangeSet
from sites.services.closets import closet_alter, contact_add, contact_alter
from sites.services.people import person_remove, user_activate
from sites.services.sites import site_alter
from tests import factories
from tests.api.conftest import Caller
from tests.api.conventions.test_problems import problem
from tests.api.v1.asking import ROOT, get, post
from tests.halls import Hall
from zones.models import Test
from zones.services.tests import record_test
from zones.services.visits import visit_record

pytestmark = pytest.mark.django_db
NAME, USERNAME, EMAIL, PHONE = "Runa Valdis", "runa.valdis", "runa@crew.example", "+351 555 0177"
REASON = "asked to be forgotten"


@pytest.fixture
def runa(customer: Customer) -> User:
    user = factories.make_user(
        User.Role.TECHNICIAN, customers=[customer], first_name="Runa", last_name="Valdis"
    )
    user.username, user.email = USERNAME, EMAIL
    user.set_password("quiet lantern 7 quay")
    user.save()
    return user


def places_of(*words: str) -> list[str]:
    """Every row of every table, of any kind of column, in which one of the words stands."""
    found = []
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT c.relname, a.attname, a.atttypid = 'bytea'::regtype FROM pg_class c "
            "JOIN pg_attribute a ON a.attrelid = c.oid AND a.attnum > 0 AND NOT a.attisdropped "
            "WHERE c.relkind IN ('r', 'p') AND c.relnamespace = 'public'::regnamespace"
        )
        columns = cursor.fetchall()
        assert len(columns) > 300
        for table, column, binary in columns:
            said = f"encode(\"{column}\", 'escape')" if binary else f'"{column}"::text'
            cursor.execute(
                f'SELECT {said} FROM "{table}" WHERE {said} ILIKE ANY (%s)', [[f"%{word}%" for word in words]]
            )
            found += [f"{table}.{column}: {text[:300]}" for (text,) in cursor.fetchall()]
    return found


def something_of_everything(runa: User, hall: Hall, with_token: Caller) -> Contact:
    """What a person leaves behind, through the channels by which it comes there."""
    client, site = with_token(runa), hall.site
    why = {"reason": f"{NAME} saw it", "done_by": NAME}
    headers = {"Idempotency-Key": "k-1"}
    answer = client.post(
        f"{ROOT}/zones",
        {"site_id": site.pk, "name": "Deck", "note": f"ask {NAME}:\n{NAME}, {EMAIL}", "change": why},
        content_type="application/json",
        headers=headers,
    )
    assert answer.status_code == 201, answer.content
    draft = {"site_id": site.pk, "reason": f"for {USERNAME}", "operations": [
        {"op": "closet.add", "name": "MDF", "note": f"keys: {NAME.upper()}"}
    ]}  # fmt: skip
    post(client, "change-sets", draft)
    contact = contact_add(
        factories.change(site),
        closet=hall.closet,
        role=Contact.Role.SITE,
        name=NAME,
        phone=PHONE,
        email=EMAIL,
    ).result
    contact_alter(factories.change(site), contact=contact, hours="07:00 to 19:00")
    closet_alter(factories.change(site), closet=hall.closet, opened_by=f"{NAME}, tel. +351-555-01 77")
    record_test(
        factories.change(site), run=hall.run, kind=Test.Kind.RUN_CURRENT, state=Test.State.IDLE,
        value=0.1, taken_on=factories.BUILT_ON, technician=NAME,
    )  # fmt: skip
    visit_record(factories.change(site), closet=hall.closet, visited_on=factories.BUILT_ON, technician=NAME)
    Event.objects.create(
        kind="case.opened", customer=site.customer, site=site, subject="cases/1", happened_at=timezone.now(),
        body={"contacts": [{"name": NAME, "phone": PHONE}], "change": {"actor": NAME, "done_by": USERNAME}},
    )  # fmt: skip
    token_make(user=runa, scopes=["record:read"], name=f"phone of {NAME}")
    return contact


def test_nothing_names_a_person_who_was_removed(
    runa: User, hall: Hall, manager: User, with_token: Caller
) -> None:
    contact = something_of_everything(runa, hall, with_token)
    words = (NAME, USERNAME, EMAIL, PHONE, "valdis", "555-01 77")
    before = places_of(*words)
    tables = {place.partition(".")[0] for place in before}
    assert tables >= {
        "account", "change", "change_set", "closet", "contact", "event", "kept_answer", "reading",
        "search_entry", "search_word", "token", "zone",
    }, "what is looked for is there, or the search finds nothing for another reason"  # fmt: skip
    kept = {
        (row.pk, row.step, row.happened_on, row.version, row.state, row.user_id)
        for row in ChangeSet.objects.all()
    }
    counts = Change.objects.count()

    removal = person_remove(by=principal_of(manager), user=runa, reason=REASON)

    assert places_of(*words) == []
    instead = f"removed person {runa.pk}"
    change_set = ChangeSet.objects.get(reason=f"{instead} saw it")
    assert (change_set.actor, change_set.done_by, change_set.user) == (instead, instead, runa)
    contact.refresh_from_db()
    assert (contact.name, contact.phone, contact.email) == (instead, "", "")
    assert contact.hours == "07:00 to 19:00", "what is of the site and not of the person stays"
    assert Closet.objects.get(pk=hall.closet.pk).opened_by == f"{instead}, tel. {instead}"
    (event,) = Event.objects.filter(subject="cases/1")
    assert event.body["change"] == {"actor": instead, "done_by": instead}
    assert {
        (row.pk, row.step, row.happened_on, row.version, row.state, row.user_id)
        for row in ChangeSet.objects.all()
    } == kept, "the record stands"
    assert Change.objects.count() == counts
    assert (removal.actor, removal.reason, removal.removed_by) == ("Ines Marlow", REASON, manager)
    assert removal.rows_changed["zone"] == 1


def test_sessions_and_tokens_end_and_nobody_comes_back(
    runa: User, manager: User, logged_in: Caller, with_token: Caller
) -> None:
    session, program = logged_in(runa), with_token(runa)
    assert session.get(f"{ROOT}/sites").status_code == 200
    person_remove(by=principal_of(manager), user=runa, reason=REASON)
    for client in (session, program):
        assert client.get(f"{ROOT}/sites").status_code == 401
    assert not Token.objects.filter(user=runa, revoked_at__isnull=True).exists()
    runa.refresh_from_db()
    assert (runa.get_full_name(), runa.has_usable_password()) == (f"removed person {runa.pk}", False)
    with pytest.raises(ChangeRefused, match="was removed, and stays so"):
        user_activate(by=principal_of(manager), user=runa)


def test_a_second_time_changes_nothing(runa: User, manager: User) -> None:
    first = person_remove(by=principal_of(manager), user=runa, reason=REASON)
    again = person_remove(by=principal_of(manager), user=runa, reason="another reason")
    assert (again.reason, again.removed_at) == (REASON, first.removed_at)


def test_a_trial_says_what_would_change_and_changes_nothing(
    runa: User, hall: Hall, manager: User, with_token: Caller
) -> None:
    something_of_everything(runa, hall, with_token)
    before = places_of(NAME, EMAIL)
    assert (
        person_remove(by=principal_of(manager), user=runa, reason=REASON, trial=True).rows_changed["zone"]
        == 1
    )
    assert places_of(NAME, EMAIL) == before
    assert not PersonRemoval.objects.exists()


def test_others_keep_their_names_and_numbers(
    runa: User, hall: Hall, customer: Customer, manager: User
) -> None:
    twin = factories.make_user(
        User.Role.DISPATCHER, customers=[customer], first_name="Runa", last_name="Valdis"
    )
    change = factories.change(hall.site)
    office = contact_add(
        change, closet=hall.closet, role=Contact.Role.NETWORK, name="Office", phone="+351 5550177"
    ).result
    contact_add(change, closet=hall.closet, role=Contact.Role.SITE, name="Runa V.", phone=PHONE, email=EMAIL)
    alike = "Runa Valdison, Runa Valdis-Berg and the runa.valdis.org pages"
    site_alter(change, dangers=alike)
    zones = factories.make_zone(hall.site, name="Horn")
    theirs, ours = (
        ChangeSet.objects.create(
            site=None, state="draft", channel="rest", user=user, actor=NAME, reason="a plan", operations=[]
        )
        for user in (twin, runa)
    )
    person_remove(by=principal_of(manager), user=runa, reason=REASON)
    for row in (office, theirs, ours, hall.site, zones):
        row.refresh_from_db()
    assert office.phone == "+351 5550177", "the office answers there, too"
    assert (theirs.actor, ours.actor) == (NAME, f"removed person {runa.pk}")
    assert hall.site.dangers == alike
    assert Contact.objects.get(role="site").name == f"removed person {runa.pk}"


def test_a_user_name_that_is_a_word_stays_a_word(customer: Customer, hall: Hall, manager: User) -> None:
    user = factories.make_user(User.Role.TECHNICIAN, customers=[customer])
    user.username, user.first_name, user.last_name = "service", "", ""
    user.save()
    site_alter(factories.change(hall.site), dangers="service entrance")
    mine = factories.change(hall.site, user=user, actor="", done_by="Service")
    change_set = closet_alter(mine, closet=hall.closet, room="9").change_set
    person_remove(by=principal_of(manager), user=user, reason=REASON)
    hall.site.refresh_from_db()
    change_set.refresh_from_db()
    instead = f"removed person {user.pk}"
    assert (hall.site.dangers, change_set.done_by) == ("service entrance", instead)


def test_a_note_that_is_full_stays_within_its_limit(runa: User, hall: Hall, manager: User) -> None:
    closet_alter(factories.change(hall.site), closet=hall.closet, note="x" * (3999 - len(NAME)) + " " + NAME)
    person_remove(by=principal_of(manager), user=runa, reason=REASON)
    note = Closet.objects.get(pk=hall.closet.pk).note
    assert len(note) == 4000
    assert note.endswith(" removed per")


def test_the_last_who_keeps_the_keys_stays(manager: User) -> None:
    manager.set_password("quiet lantern 7 quay")
    manager.save()
    with pytest.raises(ChangeRefused, match="the last active manager of all customers"):
        person_remove(by=None, user=manager, reason=REASON, actor="the operator")


# --- over REST ----------------------------------------------------------------------------------------------


def test_a_manager_of_all_customers_removes_with_a_reason(
    runa: User, manager: User, with_token: Caller
) -> None:
    client = with_token(manager)
    address = f"users/{runa.pk}/remove"
    tried = post(client, address, {"reason": REASON, "trial": True}, status=200).json()
    assert (tried["username"], tried["removal"]["reason"]) == (USERNAME, REASON)
    shown = post(client, address, {"reason": REASON}, status=200).json()
    assert (shown["username"], shown["name"]) == (f"removed-{runa.pk}", f"removed person {runa.pk}")
    assert (shown["email"], shown["is_active"], shown["has_password"]) == ("", False, False)
    assert (shown["removal"]["actor"], shown["removal"]["reason"]) == ("Ines Marlow", REASON)
    assert get(client, f"users/{runa.pk}") == shown
    again = post(client, address, {"reason": "twice"}, status=200).json()
    assert again["removal"] == shown["removal"]
    refused = client.post(f"{ROOT}/users/{runa.pk}/activate", {}, content_type="application/json")
    problem(refused, 409, "conflict")


def test_who_sees_some_customers_only_removes_nobody(
    runa: User, customer: Customer, manager: User, with_token: Caller
) -> None:
    some = factories.make_user(User.Role.MANAGER, customers=[customer])
    for client in (with_token(some), with_token(manager, customers=[customer])):
        answer = client.post(
            f"{ROOT}/users/{runa.pk}/remove", {"reason": REASON}, content_type="application/json"
        )
        problem(answer, 403, "forbidden")
    answer = with_token(manager).post(f"{ROOT}/users/{runa.pk}/remove", {}, content_type="application/json")
    assert problem(answer, 400, "invalid")["errors"][0]["pointer"] == "/reason"
    assert not PersonRemoval.objects.exists()


def test_the_service_removes_and_rewrites_nothing_by_itself(
    runa: User, hall: Hall, manager: User, with_token: Caller, as_service: Any
) -> None:
    contact = something_of_everything(runa, hall, with_token)
    rewrite = f"UPDATE change_set SET reason = 'x' WHERE site_id = {hall.site.pk} AND state = 'accepted'"

    def refused(word: str) -> None:
        with pytest.raises(IntegrityError, match="never changes"), transaction.atomic():
            run(f"SET LOCAL zonebook.removing = '{word}'", rewrite)

    with as_service():
        refused("")
        refused("7")
        person_remove(by=principal_of(manager), user=runa, reason=REASON)
        refused("")
    contact.refresh_from_db()
    assert contact.phone == ""


def run(*statements: str) -> None:
    with connection.cursor() as cursor:
        for statement in statements:
            cursor.execute(statement)
