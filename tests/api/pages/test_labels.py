"""Labels for doors: what is printed, that nothing can be read from their keys, and where these lead."""

from __future__ import annotations

import io
from base64 import urlsafe_b64decode
from typing import Any

import pytest
from cryptography.fernet import Fernet
from django.test import Client
from pypdf import PdfReader

from api.pages.closets.door_keys import closet_id_of, key_of
from sites.models import Closet, Site, User
from tests import factories
from tests.api.conftest import Caller
from tests.api.pages.reading import codes_on
from tests.api.pages.test_home import BROWSER


@pytest.fixture
def client(technician: User, logged_in: Caller) -> Client:
    return logged_in(technician)


def text_of(client: Client, site: Site) -> str:
    answer = client.get(f"/sites/{site.pk}/labels.pdf")
    assert answer.status_code == 200, answer.content
    assert answer["Content-Type"] == "application/pdf"
    return " ".join(page.extract_text() for page in PdfReader(io.BytesIO(answer.content)).pages)


# --- keys ---------------------------------------------------------------------------------------------------


def test_a_key_leads_to_its_closet_alone() -> None:
    ids = [1, 2, 255, 256, 2**40]
    keys = [key_of(one) for one in ids]
    assert [closet_id_of(key) for key in keys] == ids
    assert len(set(keys)) == len(ids)
    assert key_of(7) == key_of(7), "a label that is printed again is the same"


def test_nothing_can_be_read_from_a_key() -> None:
    """Neighbouring ids share no more bytes than chance has it, and the id is not among them."""
    first, second = (urlsafe_b64decode(key_of(one) + "==") for one in (1_234_567, 1_234_568))
    assert len(first) == len(second) == 16
    assert sum(one == other for one, other in zip(first, second, strict=True)) <= 4
    assert (1_234_567).to_bytes(3, "big") not in first
    assert b"1234567" not in first


@pytest.mark.parametrize("key", ["", "7", "x" * 22, "x" * 21, "é" * 22, "A" * 4000, "../closets/1"])
def test_what_is_no_key_leads_nowhere(key: str) -> None:
    assert closet_id_of(key) is None


def test_a_key_with_one_other_character_leads_nowhere() -> None:
    key = key_of(7)
    for place in range(21):  # the last one has four bits that say nothing
        other = "A" if key[place] != "A" else "B"
        assert closet_id_of(key[:place] + other + key[place + 1 :]) is None


def test_a_label_leads_on_while_its_field_key_is_kept_and_nowhere_once_it_is_gone(settings: Any) -> None:
    key = key_of(7)
    old, new = settings.FIELD_KEYS[0], Fernet.generate_key().decode()
    settings.FIELD_KEYS = [new, old]
    assert closet_id_of(key) == 7
    assert key_of(7) != key, "the next print is under the new key"
    settings.FIELD_KEYS = [new]
    assert closet_id_of(key) is None


# --- the sheet ----------------------------------------------------------------------------------------------


def test_each_closet_has_a_label_with_the_names_and_its_own_address(client: Client, closet: Closet) -> None:
    other = factories.make_closet(closet.site, name="IDF 9")
    text = text_of(client, closet.site)
    assert text.count(closet.site.name) == 2
    for one in (closet, other):
        assert one.name in text
        assert f"http://testserver/d/{key_of(one.pk)}" in text.replace("\n", "")


def test_the_code_on_each_label_leads_to_its_closet(client: Client, closet: Closet) -> None:
    other = factories.make_closet(closet.site, name="IDF 9")
    document = client.get(f"/sites/{closet.site_id}/labels.pdf").content
    expected = [f"http://testserver/d/{key_of(one.pk)}" for one in (closet, other)]
    assert sorted(codes_on(document)) == sorted(expected)


def test_a_site_without_a_closet_says_so(client: Client, site: Site) -> None:
    assert f"No closet is recorded at {site.name}." in text_of(client, site)


def test_nine_closets_are_on_two_sheets(client: Client, closet: Closet) -> None:
    for number in range(8):
        factories.make_closet(closet.site, name=f"IDF {number}")
    answer = client.get(f"/sites/{closet.site_id}/labels.pdf")
    assert len(PdfReader(io.BytesIO(answer.content)).pages) == 2


def test_a_site_out_of_scope_has_no_labels(outsider: User, logged_in: Caller, site: Site) -> None:
    assert logged_in(outsider).get(f"/sites/{site.pk}/labels.pdf").status_code == 404


# --- the door -----------------------------------------------------------------------------------------------


def test_a_label_asks_for_a_log_in_then_leads_to_the_sheet(
    anonymous: Client, client: Client, closet: Closet
) -> None:
    address = f"/d/{key_of(closet.pk)}"
    asked = anonymous.get(address)
    assert (asked.status_code, asked["Location"]) == (302, f"/log-in?next={address}")
    led = client.get(address)
    assert (led.status_code, led["Location"]) == (302, f"/closets/{closet.pk}")


def test_a_wrong_key_is_the_same_page_as_one_out_of_scope(
    outsider: User, logged_in: Caller, closet: Closet
) -> None:
    headers = {**BROWSER, "X-Request-ID": "one"}
    theirs = logged_in(outsider)
    pages = []
    for key in (key_of(closet.pk), "x" * 22, key_of(999_999_999)):
        answer = theirs.get(f"/d/{key}", headers=headers)
        assert answer.status_code == 404
        text = answer.content.decode().replace(f"/d/{key}<", "<")
        pages.append(text.split("csrfmiddlewaretoken")[0])
    assert pages[0] == pages[1] == pages[2]
    assert "Nothing at this address" in pages[0]
    assert closet.name not in pages[0]
