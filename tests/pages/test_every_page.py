"""Every page, in both schemes, on a phone and on a desk: axe finds nothing, the console is silent, and
nothing scrolls sideways."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.urls import reverse
from playwright.sync_api import BrowserContext, Page, expect

from api.pages.urls import PAGES
from sites.models import Closet, Site, User
from zones.models import Zone

pytestmark = pytest.mark.django_db(transaction=True)

WIDTHS = pytest.mark.parametrize("width", [360, 1280])
HTML = [row for row in PAGES if hasattr(row.view, "template_name")]
"""The others are files, such as PDFs."""
SCHEMES = pytest.mark.parametrize("scheme", ["light", "dark"])


def look(context: BrowserContext, address: str, status: int = 200) -> Page:
    """The page, after it was held to what every page is held to."""
    page, said = context.new_page(), []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    response = page.goto(address)
    assert response is not None
    assert response.status == status
    sheet = "getComputedStyle(document.documentElement).getPropertyValue('--paper')"
    assert page.evaluate(sheet), "the stylesheet is not there"
    if status == 200:  # of any other, Chromium itself writes a line
        assert said == []
    assert page.evaluate("document.documentElement.scrollWidth") <= page.evaluate("window.innerWidth")
    found = Axe().run(page).response["violations"]
    assert [(one["id"], [node["html"] for node in one["nodes"]]) for one in found] == []
    return page


@SCHEMES
@WIDTHS
@pytest.mark.parametrize("row", HTML, ids=lambda row: row.name)
def test_a_page_is_in_order(
    row: Any,
    width: int,
    scheme: str,
    window: Callable[..., BrowserContext],
    manager: User,
    site: Site,
    closet: Closet,
    zone: Zone,
) -> None:
    things = {Site: site, Closet: closet, Zone: zone}
    kwargs = {} if row.view.opens is None else {"id": things[row.view.opens].pk}
    look(window(manager, width=width, scheme=scheme), reverse(row.name, kwargs=kwargs))


@SCHEMES
@WIDTHS
@pytest.mark.parametrize(("address", "status"), [("/", 200), ("/log-in", 200), ("/nowhere", 404)])
def test_a_page_without_log_in_is_in_order(
    address: str, status: int, width: int, scheme: str, window: Callable[..., BrowserContext]
) -> None:
    look(window(width=width, scheme=scheme), address, status)


def test_from_the_link_over_log_in_and_search_to_the_site_by_keyboard(
    window: Callable[..., BrowserContext], manager: User, site: Site
) -> None:
    manager.set_password("three-quiet-horns")
    manager.save(update_fields=["password"])
    page = window().new_page()
    page.goto(f"/search?q={site.name}")
    expect(page.get_by_label("Log-in name")).to_be_focused()
    page.keyboard.type(manager.username)
    page.keyboard.press("Tab")
    page.keyboard.type("three-quiet-horns")
    page.keyboard.press("Enter")
    link = page.get_by_role("link", name=site.name)
    expect(link).to_be_visible()
    page.keyboard.press("Tab")
    expect(page.get_by_text("Skip to the content")).to_be_focused()
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    expect(link).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_contain_text(site.name)
