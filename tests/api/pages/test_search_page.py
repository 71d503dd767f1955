"""What a search finds, on its page and while somebody types."""

from __future__ import annotations

from django.test import Client

from sites.models import Site, User
from tests import factories
from tests.api.conftest import Caller


def test_the_first_eight_are_suggested_with_their_place(client: Client, site: Site) -> None:
    for number in range(9):
        factories.make_closet(site, name=f"Signal cabin {number}")
    html = client.get("/search/suggestions", {"q": "signal cabin"}).content.decode()
    assert html.count("<li>") == 8
    assert f"closet, {site.customer.name}, {site.name}, Ticket hall" in html
    assert "<html" not in html


def test_nothing_is_suggested_for_one_letter_or_out_of_scope(
    client: Client, site: Site, outsider: User, logged_in: Caller
) -> None:
    assert client.get("/search/suggestions", {"q": "s"}).content == b""
    assert client.get("/search/suggestions", {"q": site.name}).content != b""
    assert logged_in(outsider).get("/search/suggestions", {"q": site.name}).content == b""


def test_a_word_that_stands_nowhere_is_named_above_what_the_others_find(client: Client, site: Site) -> None:
    factories.make_closet(site, name="Signal cabin")
    html = client.get("/search", {"q": "signal xylophone"}).content.decode()
    assert html.index("Nothing that you can see has “xylophone”.") < html.index(">Signal cabin</a>")
