"""Logging in and out: the way back, cookies, and what happens to people who guess."""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator
from html import escape, unescape
from typing import Any

import pytest
from django.contrib.auth.forms import AuthenticationForm
from django.core.cache import cache
from django.test import Client

from api.pages.log_in import AT_ONCE
from sites.models import User
from tests.api.conftest import Caller
from tests.api.pages.test_home import BROWSER
from tests.page_addresses import Shown
from zones.models import Finding

PASSWORD = "three-quiet-horns"


@pytest.fixture(autouse=True)
def nothing_counted() -> Iterator[None]:
    cache.clear()
    yield
    cache.clear()


@pytest.fixture
def client() -> Client:
    """Someone without a log-in, unlike on the other pages."""
    return Client()


@pytest.fixture
def person(manager: User) -> User:
    manager.set_password(PASSWORD)
    manager.save(update_fields=["password"])
    return manager


def log_in(client: Client, person: User, password: str, **more: str) -> Any:
    form = {"username": person.username, "password": password, **more}
    return client.post("/log-in", form, headers=BROWSER)


def test_the_password_opens_the_page_that_was_asked_for(client: Client, person: User) -> None:
    answer = log_in(client, person, PASSWORD, next="/search?q=quay")
    assert (answer.status_code, answer["Location"]) == (302, "/search?q=quay")
    assert client.get("/search?q=quay").status_code == 200
    cookie = answer.cookies["sessionid"]
    assert cookie["httponly"]
    assert cookie["samesite"] == "Lax"


def checked(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The names whose passwords are checked from now on."""
    names: list[str] = []
    check = AuthenticationForm.clean

    def noted(form: AuthenticationForm) -> dict[str, Any]:
        names.append(form.cleaned_data["username"])
        return check(form)

    monkeypatch.setattr(AuthenticationForm, "clean", noted)
    return names


def test_who_tries_many_names_is_refused_before_a_password_is_checked(
    client: Client, person: User, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings.REFUSED_PER_MINUTE = 3
    monkeypatch.setattr("api.conventions.permissions.WINDOW_S", 10**9)  # the window does not end meanwhile
    names = checked(monkeypatch)
    answers = [
        client.post("/log-in", {"username": f"name {n}", "password": "wrong"}, headers=BROWSER)
        for n in range(4)
    ]
    assert [answer.status_code for answer in answers] == [200, 200, 200, 429]
    assert int(answers[3]["Retry-After"]) > 0
    assert "This address sent 3 log-ins in a minute" in answers[3].content.decode()
    assert names == ["name 0", "name 1", "name 2"]
    form = {"username": person.username, "password": PASSWORD}
    elsewhere = client.post("/log-in", form, headers=BROWSER, REMOTE_ADDR="192.0.2.7")
    assert elsewhere.status_code == 302


def test_few_passwords_are_checked_at_once(
    client: Client, person: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each takes 100 MiB: by eight at once a server that may take 1 GiB was ended."""
    names = checked(monkeypatch)
    places = threading.BoundedSemaphore(AT_ONCE)
    monkeypatch.setattr("api.pages.log_in._places", places)
    taken = [places.acquire(blocking=False) for _ in range(AT_ONCE)]
    refused = log_in(client, person, PASSWORD)
    assert (taken, refused.status_code, refused["Retry-After"]) == ([True, True], 503, "1")
    assert names == []
    places.release()
    assert log_in(client, person, PASSWORD).status_code == 302
    assert places.acquire(blocking=False), "a log-in gives its place back"


@pytest.mark.parametrize("elsewhere", ["https://elsewhere.example/", "//elsewhere.example", "javascript:1"])
def test_the_way_back_leads_nowhere_else(client: Client, person: User, elsewhere: str) -> None:
    assert log_in(client, person, PASSWORD, next=elsewhere)["Location"] == "/"


def test_a_wrong_password_says_so_and_keeps_the_name(client: Client, person: User) -> None:
    answer = log_in(client, person, "wrong")
    text = answer.content.decode()
    assert answer.status_code == 200
    assert 'role="alert"' in text
    assert f'value="{person.username}"' in text
    assert "wrong" not in text


def test_who_guesses_is_locked_out_from_there_and_only_from_there(
    client: Client, person: User, settings: Any
) -> None:
    for _ in range(settings.AXES_FAILURE_LIMIT):
        answer = log_in(client, person, "wrong")
    assert answer.status_code == 429
    assert "locked from here for 15 minutes" in answer.content.decode()
    assert answer["Retry-After"] == "900"
    assert log_in(client, person, PASSWORD).status_code == 429  # the right one too
    elsewhere = Client(REMOTE_ADDR="192.0.2.7")
    assert log_in(elsewhere, person, PASSWORD).status_code == 302


def test_another_account_is_not_locked_with_it(
    client: Client, person: User, reader: User, settings: Any
) -> None:
    for _ in range(settings.AXES_FAILURE_LIMIT):
        log_in(client, person, "wrong")
    assert log_in(client, reader, "wrong").status_code == 200


def test_a_form_without_the_token_is_refused_with_a_page(person: User) -> None:
    answer = log_in(Client(enforce_csrf_checks=True), person, PASSWORD)
    assert answer.status_code == 403
    assert "Load the page again, then send it" in answer.content.decode()


def test_log_out_is_a_post_and_ends_the_session(logged_in: Caller, manager: User) -> None:
    client = logged_in(manager)
    assert client.get("/log-out").status_code == 405
    assert client.get("/search").status_code == 200
    assert client.post("/log-out")["Location"] == "/log-in"
    assert client.get("/search").status_code == 302


# --- a log-in that is asked for in the middle of a form ----------------------------------------------------


@pytest.fixture
def typed(shown: Shown, client: Client) -> Any:
    """The answer to a form that was sent after the session had ended."""
    form = {
        "act": "defer", "version": '"1"', "seen": "{}", "deferred_until": "2099-12-24",
        "state_reason": "supply & <b>",
    }  # fmt: skip
    return client.post(f"/findings/{shown.finding.pk}", form, headers=BROWSER)


def carried_by(answer: Any) -> dict[str, str]:
    found = re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)">', answer.content.decode())
    return {name: unescape(value) for name, value in found if name != "csrfmiddlewaretoken"}


def test_what_was_typed_before_a_log_in_is_shown_after_it_and_sent_to_its_page(
    typed: Any, shown: Shown, client: Client, person: User
) -> None:
    path = f"/findings/{shown.finding.pk}"
    assert typed.status_code == 403
    assert "What you typed is kept" in typed.content.decode()
    carried = carried_by(typed)
    assert carried["next"] == path
    # A wrong password does not lose it
    carried = carried_by(log_in(client, person, "wrong", **carried))
    answer = log_in(client, person, PASSWORD, **carried)
    assert answer.status_code == 200
    html = answer.content.decode()
    assert "Nothing is sent yet" in html
    assert "<dd>supply &amp; &lt;b&gt;</dd>" in html
    assert f'<form class="fields" method="post" action="{path}">' in html
    again = carried_by(answer)
    assert (again["act"], again["deferred_until"]) == ("defer", "2099-12-24")
    assert client.post(path, again, headers=BROWSER).status_code == 303
    finding = Finding.objects.get(pk=shown.finding.pk)
    assert (finding.state, finding.state_reason) == (Finding.State.DEFERRED, "supply & <b>")


@pytest.mark.parametrize(
    "elsewhere", ["https://elsewhere.example/findings/1", "//elsewhere.example", "/fleet"]
)
def test_what_was_typed_is_sent_to_no_other_address(
    typed: Any, client: Client, person: User, elsewhere: str
) -> None:
    answer = log_in(client, person, PASSWORD, **{**carried_by(typed), "next": elsewhere})
    assert answer.status_code == 302
    assert b"supply" not in answer.content


def test_a_choice_is_shown_by_what_it_was_called(shown: Shown, client: Client, person: User) -> None:
    value, label = next((value, label) for value, label in Finding.Outcome.choices if " " in label and value)
    form = {"act": "outcome", "outcome": value, "state_reason": ""}
    carried = carried_by(client.post(f"/findings/{shown.finding.pk}", form))
    html = log_in(client, person, PASSWORD, **carried).content.decode()
    assert f"<dt>Outcome</dt><dd>{escape(label)}</dd><dt>Remark</dt><dd>not recorded</dd>" in html


def test_what_is_too_long_is_not_carried(shown: Shown, client: Client) -> None:
    answer = client.post(f"/findings/{shown.finding.pk}", {"act": "defer", "state_reason": "a" * 20_000})
    assert answer.status_code == 403
    assert "typed" not in carried_by(answer)


def test_a_form_that_asks_for_a_code_is_not_carried(shown: Shown, client: Client) -> None:
    path = f"/closets/{shown.closet.pk}/codes"
    answer = client.post(path, {"code": "1", "reason": "night call"}, headers=BROWSER)
    assert (answer.status_code, answer["Location"]) == (302, f"/log-in?next={path}")
