"""Use without a mouse or with a screen reader: headings, landmarks and focus come in order on every page."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Any, Final

import pytest
from playwright.sync_api import BrowserContext, Page

from sites.models import User
from tests.page_addresses import Shown

from .test_every_page import HTML

pytestmark = pytest.mark.django_db(transaction=True)

HEADINGS: Final = "[...document.querySelectorAll('h1, h2, h3, h4, h5, h6')].map((one) => +one.tagName[1])"
OUTSIDE: Final = """[...document.body.children].filter(
    (one) => !one.matches('a.skip, header, main, footer')
).map((one) => one.outerHTML.slice(0, 100))"""
NAMES: Final = """[...document.querySelectorAll('nav, [role=region], [role=search], section')].map(
    (one) => one.tagName + ' ' + (one.ariaLabel
        ?? document.getElementById(one.getAttribute('aria-labelledby'))?.innerText ?? ''))"""
FOCUSABLE: Final = """[...document.querySelectorAll(
    'a[href], button, input, select, textarea, summary, [tabindex]')].filter(
    (one) => one.tabIndex >= 0 && one.type !== 'hidden' && one.checkVisibility())"""
FOCUSED: Final = f"""() => {{
    const one = document.activeElement, box = one.getBoundingClientRect();
    return {{
        place: {FOCUSABLE}.indexOf(one),
        is_marked: getComputedStyle(one).outlineStyle !== 'none',
        is_seen: box.width > 0 && box.bottom > 0 && box.top < innerHeight,
    }};
}}"""


def held_to_order(page: Page) -> None:
    levels = page.evaluate(HEADINGS)
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert [(one, next_) for one, next_ in pairwise(levels) if next_ > one + 1] == [], levels
    assert page.evaluate(OUTSIDE) == []
    assert page.locator("main").count() == 1
    names = page.evaluate(NAMES)
    assert [one for one in names if one.endswith(" ") and not one.startswith("FORM")] == []
    assert len(set(names)) == len(names), names
    count = page.evaluate(f"{FOCUSABLE}.length")
    for place in range(count):
        page.keyboard.press("Tab")
        assert page.evaluate(FOCUSED) == {"place": place, "is_marked": True, "is_seen": True}


@pytest.mark.parametrize("row", HTML, ids=lambda row: row.name)
def test_headings_landmarks_and_focus_come_in_order(
    row: Any, window: Callable[..., BrowserContext], manager: User, shown: Shown
) -> None:
    page = window(manager).new_page()
    page.goto(shown.address(row))
    held_to_order(page)


@pytest.mark.parametrize("address", ["/", "/nowhere"])
def test_without_log_in_they_do_too(address: str, window: Callable[..., BrowserContext]) -> None:
    page = window().new_page()
    page.goto(address)
    held_to_order(page)
