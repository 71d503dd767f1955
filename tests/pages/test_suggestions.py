"""The search field while somebody types: what is suggested, by keyboard, and how much script that takes."""

from __future__ import annotations

import gzip
from collections.abc import Callable
from pathlib import Path

import pytest
from django.conf import settings
from playwright.sync_api import BrowserContext, expect

from sites.models import Closet, Site, User
from tests import factories
from tests.pages.test_every_page import held_in_every_look

pytestmark = pytest.mark.django_db(transaction=True)

Window = Callable[..., BrowserContext]


@pytest.fixture
def closet(site: Site) -> Closet:
    return factories.make_closet(site, name="Signal cabin")


def test_a_misspelt_closet_is_suggested_and_opened_by_arrows_and_enter(
    window: Window, dispatcher: User, closet: Closet
) -> None:
    page = window(dispatcher).new_page()
    page.goto("/fleet")
    field = page.get_by_label("Search")
    field.press_sequentially("Singal cabin")
    first = page.locator("#suggestions a").first
    expect(first).to_have_text(closet.name)
    expect(page.get_by_role("status")).to_contain_text("the down arrow goes to them")
    held_in_every_look(page)
    field.press("ArrowDown")
    expect(first).to_be_focused()
    page.keyboard.press("ArrowUp")
    expect(field).to_be_focused()
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/closets/{closet.pk}")


def test_escape_closes_what_is_suggested_and_enter_alone_lists(
    window: Window, dispatcher: User, closet: Closet
) -> None:
    page = window(dispatcher).new_page()
    page.goto("/fleet")
    field = page.get_by_label("Search")
    field.press_sequentially(closet.name)
    suggested = page.locator("#suggestions a")
    expect(suggested.first).to_be_visible()
    field.press("Escape")
    expect(suggested).to_have_count(0)
    expect(field).to_have_value(closet.name)
    field.press("Enter")
    page.wait_for_url("**/search?q=*")
    expect(page.locator("main").get_by_role("link", name=closet.name, exact=True)).to_be_visible()


def test_someone_logged_out_meanwhile_is_suggested_nothing(
    window: Window, dispatcher: User, closet: Closet
) -> None:
    context = window(dispatcher)
    page = context.new_page()
    page.goto("/fleet")
    context.clear_cookies()
    with page.expect_response(lambda response: "/log-in?" in response.url):
        page.get_by_label("Search").press_sequentially(closet.name)
    expect(page.locator("#suggestions > *")).to_have_count(0)


def test_the_scripts_are_small() -> None:
    """25 kB compressed, which a phone at 400 kbit/s has in half a second."""
    files = [*Path(settings.STATICFILES_DIRS[0]).rglob("*.js")]
    assert len(files) == 2
    assert sum(len(gzip.compress(one.read_bytes(), 9)) for one in files) <= 25_000
