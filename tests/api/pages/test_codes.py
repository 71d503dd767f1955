"""The codes of a closet: their labels listed, one shown for a reason, logged, kept by nothing. That no code
stands anywhere else is held by `tests/api/test_codes_stay_secret.py`."""

from __future__ import annotations

import re

import pytest
from django.test import Client

from sites.models import Closet, Secret, SecretReveal, User
from sites.services.secrets import secret_add
from tests import factories
from tests.api.conftest import Caller
from tests.api.pages.test_home import BROWSER

CODE, OF_THE_SITE, OTHER = "4711-plover", "4712-plover", "4713-plover"


@pytest.fixture
def client(dispatcher: User, logged_in: Caller) -> Client:
    return logged_in(dispatcher)


@pytest.fixture
def secret(manager: User, closet: Closet) -> Secret:
    """The code of the closet; the site has one too, and so has another closet."""

    def keep(label: str, code: str, of: Closet | None) -> Secret:
        return secret_add(
            user=manager, site=closet.site, closet=of, label=label, code=code, kind=Secret.Kind.DOOR
        )

    keep("gate", OF_THE_SITE, None)
    keep("loft hatch", OTHER, factories.make_closet(closet.site))
    return keep("street door", CODE, closet)


def test_the_labels_of_the_closet_and_its_site_are_listed_and_no_code_is(
    client: Client, closet: Closet, secret: Secret
) -> None:
    html = client.get(f"/closets/{closet.pk}/codes").content.decode()
    assert re.findall(r"<li><b>([^<]*)</b>", html) == ["gate", "street door"]
    assert f'<button name="code" value="{secret.pk}">' in html
    assert "plover" not in html


def test_a_closet_without_codes_says_so(client: Client, closet: Closet) -> None:
    html = client.get(f"/closets/{closet.pk}/codes").content.decode()
    assert "No code is kept for this closet." in html
    assert "<textarea" not in html


def test_one_code_is_shown_for_a_minute_to_who_says_why_and_that_is_logged(
    client: Client, dispatcher: User, closet: Closet, secret: Secret
) -> None:
    address = f"/closets/{closet.pk}/codes"
    answer = client.post(address, {"code": secret.pk, "reason": "night call"})
    assert answer.status_code == 200
    html = answer.content.decode()
    assert html.count(CODE) == 1
    assert OF_THE_SITE not in html
    assert "no-store" in answer["Cache-Control"]
    assert answer["Refresh"] == f"60; url={address}"
    (logged,) = SecretReveal.objects.all()
    assert (logged.secret, logged.user, logged.reason) == (secret, dispatcher, "night call")
    assert CODE not in client.get(address).content.decode(), "gone with the next load"
    assert CODE not in str(dict(client.session.items()))


def test_without_a_reason_nothing_is_shown_and_what_is_wrong_stands_at_the_field(
    client: Client, closet: Closet, secret: Secret
) -> None:
    answer = client.post(f"/closets/{closet.pk}/codes", {"code": secret.pk, "reason": " "})
    assert answer.status_code == 400
    html = answer.content.decode()
    assert CODE not in html
    assert 'role="alert"' in html[html.index("<textarea") - 400 : html.index("<textarea")]
    assert "Refresh" not in answer
    assert not SecretReveal.objects.exists()


@pytest.mark.parametrize("whose", ["another closet's", "none"])
def test_a_code_that_is_not_of_this_closet_is_absent(
    whose: str, client: Client, closet: Closet, secret: Secret
) -> None:
    asked = Secret.objects.get(label="loft hatch").pk if whose != "none" else 999_999
    answer = client.post(f"/closets/{closet.pk}/codes", {"code": asked, "reason": "night call"})
    assert answer.status_code == 404
    assert OTHER not in answer.content.decode()
    assert not SecretReveal.objects.exists()


def test_who_may_not_see_codes_is_told_so_and_offered_none(
    reader: User, logged_in: Caller, closet: Closet, secret: Secret
) -> None:
    theirs = logged_in(reader)
    address = f"/closets/{closet.pk}/codes"
    assert theirs.get(address, headers=BROWSER).status_code == 403
    refused = theirs.post(address, {"code": secret.pk, "reason": "night call"}, headers=BROWSER)
    assert refused.status_code == 403
    assert CODE not in refused.content.decode()
    assert address not in theirs.get(f"/closets/{closet.pk}").content.decode()


def test_the_sheet_leads_to_the_codes_where_there_are_any(
    client: Client, closet: Closet, manager: User
) -> None:
    link = f'href="/closets/{closet.pk}/codes"'
    assert link not in client.get(f"/closets/{closet.pk}").content.decode()
    secret_add(user=manager, site=closet.site, closet=closet, label="door", code=CODE, kind=Secret.Kind.DOOR)
    assert link in client.get(f"/closets/{closet.pk}").content.decode()


def test_out_of_scope_is_absent_and_another_page_cannot_send_the_form(
    outsider: User, dispatcher: User, logged_in: Caller, closet: Closet, secret: Secret
) -> None:
    address, form = f"/closets/{closet.pk}/codes", {"code": secret.pk, "reason": "night call"}
    assert logged_in(outsider).post(address, form).status_code == 404
    strict = Client(enforce_csrf_checks=True)
    strict.force_login(dispatcher)
    assert strict.post(address, form, headers=BROWSER).status_code == 403
    assert not SecretReveal.objects.exists()


def test_a_code_that_no_key_opens_is_said_to_be_so(client: Client, closet: Closet, secret: Secret) -> None:
    Secret.objects.filter(pk=secret.pk).update(ciphertext=b"of a key that is gone")
    answer = client.post(f"/closets/{closet.pk}/codes", {"code": secret.pk, "reason": "night call"})
    assert answer.status_code == 409
    assert "was written under a key that is gone; write it again." in answer.content.decode()
