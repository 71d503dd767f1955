"""Every page, in both schemes and in forced colours, on a phone, on a desk and at 400 %: axe finds nothing,
the console is silent, and nothing moves or scrolls sideways."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import BrowserContext, Page, expect

from api.pages.urls import PAGES
from sites.models import Site, User
from tests import factories
from tests.page_addresses import Shown
from zones.models import DueTest, Test
from zones.services.tests import record_test

pytestmark = pytest.mark.django_db(transaction=True)

HTML = [row for row in PAGES if hasattr(row.view, "template_name")]
"""The others are files, such as PDFs."""
PHONE, DESK, ZOOMED = 360, 1280, 320
"""Widths in CSS px; a desk at 400 % is as wide as the last."""


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
    assert page.evaluate(SHIFTED) == 0, "something moved after it was drawn"
    held_in_every_look(page)
    if status == 200:  # of any other, Chromium itself writes a line
        assert said == []
    return page


def held_in_every_look(page: Page) -> None:
    for scheme, width, forced in LOOKS:
        page.emulate_media(color_scheme=scheme, forced_colors=forced)
        page.set_viewport_size({"width": width, "height": 800})
        where = (scheme, width, forced)
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= page.evaluate("window.innerWidth"), (where, page.evaluate(TOO_WIDE))
        found = Axe().run(page).response["violations"]
        assert [(one["id"], [node["html"] for node in one["nodes"]]) for one in found] == [], where


SHIFTED = """() => new Promise((done) => {
    new PerformanceObserver((list) => done(list.getEntries().reduce((sum, one) => sum + one.value, 0)))
        .observe({type: 'layout-shift', buffered: true});
    setTimeout(() => done(0), 300);
})"""
TOO_WIDE = """[...document.querySelectorAll('body *')].filter(
    (one) => one.getBoundingClientRect().right > innerWidth
).map((one) => one.outerHTML.slice(0, 100))"""
LOOKS: Any = [
    *((scheme, width, "none") for width in (DESK, PHONE) for scheme in ("light", "dark")),
    ("light", ZOOMED, "active"),
]


@pytest.mark.parametrize("row", HTML, ids=lambda row: row.name)
def test_a_page_is_in_order(
    row: Any, window: Callable[..., BrowserContext], manager: User, shown: Shown
) -> None:
    page = look(window(manager), shown.address(row))
    page.emulate_media(media="print")
    assert page.locator("form:visible, button:visible").count() == 0, "paper cannot be typed into"
    expect(page.get_by_text("Opened on")).to_be_visible()


def test_a_question_to_ask_at_the_site_has_a_line_for_the_answer_on_paper(
    window: Callable[..., BrowserContext], manager: User, site: Site
) -> None:
    factories.make_zone(site)  # whether it serves life safety is not recorded
    page = window(manager).new_page()
    page.goto(f"/sites/{site.pk}/survey")
    question = page.locator("li", has_text="Which zones serve life safety?")
    line = "one => getComputedStyle(one, '::after').borderBottomStyle"
    assert question.evaluate(line) == "none", "nobody writes on a screen"
    expect(page.get_by_text("As of today")).to_be_visible()
    page.emulate_media(media="print")
    expect(page.get_by_text("As of today")).not_to_be_visible()  # on paper the foot says the day
    assert question.evaluate(line) == "solid"


@pytest.mark.parametrize(("address", "status"), [("/", 200), ("/log-in", 200), ("/nowhere", 404)])
def test_a_page_without_log_in_is_in_order(
    address: str, status: int, window: Callable[..., BrowserContext]
) -> None:
    look(window(), address, status)


def test_from_the_link_over_log_in_and_search_to_the_site_by_keyboard(
    window: Callable[..., BrowserContext], manager: User, site: Site
) -> None:
    manager.set_password("three-quiet-horns")
    manager.save(update_fields=["password"])
    page = window().new_page()
    page.goto(f"/search?q={site.name}")
    expect(page.get_by_label("Username")).to_be_focused()
    page.keyboard.type(manager.username)
    page.keyboard.press("Tab")
    page.keyboard.type("three-quiet-horns")
    page.keyboard.press("Enter")
    link = page.get_by_role("link", name=site.name)
    expect(link).to_be_visible()
    page.keyboard.press("Tab")
    expect(page.get_by_text("Skip to the content")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.locator("main")).to_be_focused()
    page.keyboard.press("Tab")
    expect(link).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_contain_text(site.name)


def test_a_run_that_was_read_over_the_years_is_in_order(
    window: Callable[..., BrowserContext], manager: User, shown: Shown
) -> None:
    run = shown.hall.run
    for year, value in ((2024, 1.5), (2025, 1.9), (2026, 0.2)):
        day = dt.date(year, 6, 1)
        record_test(
            factories.change(run.site, happened_on=day), run=run, kind=Test.Kind.RUN_CURRENT,
            state=Test.State.PAGING, value=value, taken_on=day,
        )  # fmt: skip
    page = look(window(manager), f"/runs/{run.pk}")
    expect(page.get_by_role("img", name="Run current at the block, paging, speech")).to_have_count(1)


def test_tests_that_are_due_and_a_calendar_of_them_are_in_order(
    window: Callable[..., BrowserContext], manager: User, shown: Shown
) -> None:
    contract = factories.make_contract(shown.hall.site.customer)
    for run, day in ((shown.hall.run, dt.date(2020, 1, 1)), (shown.hall.gangway_run, dt.date(2040, 1, 1))):
        DueTest.objects.create(site=run.site, run=run, contract=contract, due_on=day, surveyed=False)
    page = look(window(manager), "/tests/due")
    expect(page.get_by_text("Overdue")).to_have_count(1)
    page.get_by_label("Name").fill("Van 2")
    page.get_by_role("button", name="Make a calendar").click()
    expect(page.get_by_text("Your calendar is made.")).to_be_visible()
    expect(page.locator("code")).to_contain_text(".ics")
    held_in_every_look(page)
    held_in_every_look(look(window(manager), "/tests/due?on=2025-03-14"))
