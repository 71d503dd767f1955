"""The root address says what this is and how to ask; every link on it leads somewhere."""

from __future__ import annotations

import datetime as dt
import re
from typing import Any

import pytest
from django.conf import settings
from django.test import Client

from api.events.subscriptions import subscription_add
from sites.access.selectors import principal_of
from sites.models import Subscription, User
from tests import factories
from tests.api.conftest import Caller
from tests.api.pages.reading import html_in

BROWSER = {"Accept": "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8"}


@pytest.fixture
def client() -> Client:
    """Someone without a log-in, unlike on the other pages."""
    return Client()


def links(html: str) -> list[str]:
    return re.findall(r'<a [^>]*href="([^"]+)"', html)


def test_it_is_open_and_leads_to_the_reference(client: Client) -> None:
    answer = client.get("/", headers=BROWSER)
    text = answer.content.decode()
    assert answer.status_code == 200
    assert answer["Content-Type"] == "text/html; charset=utf-8"
    assert "/api/v1/reference" in links(text)
    assert "manage.py token USER --scope record:read" in text


@pytest.mark.django_db
def test_every_link_works_in_a_browser(client: Client) -> None:
    found = links(client.get("/", headers=BROWSER).content.decode())
    assert len(found) >= 3
    assert {link: client.get(link, headers=BROWSER).status_code for link in found} == dict.fromkeys(
        found, 200
    )


def test_the_demos_token_is_shown_where_the_demo_serves(client: Client, settings: Any) -> None:
    settings.DEMO_TOKEN = "zbk_shown"
    answer = client.get("/", headers={"Host": "127.0.0.1:8000"})
    text = answer.content.decode()
    assert (
        "curl -H 'Authorization: Bearer zbk_shown' 'http://127.0.0.1:8000/api/v1/findings?page_size=3'"
        in text
    )
    assert "no-store" in answer["Cache-Control"]


def test_the_demos_token_is_not_shown_to_another_machine(client: Client, settings: Any) -> None:
    settings.DEMO_TOKEN = "zbk_shown"
    settings.ALLOWED_HOSTS = ["zonebook.example"]
    text = client.get("/", headers={"Host": "zonebook.example"}).content.decode()
    assert "zbk_shown" not in text
    assert "Bearer TOKEN" in text


STYLE = (settings.BASE_DIR / "api/pages/static/pages/style.css").read_text()


def test_every_colour_is_one_of_the_two_schemes() -> None:
    light, dark = SCHEMES
    assert set(re.findall(r"#[0-9a-f]{3,8}\b", STYLE)) <= {*light.values(), *dark.values()}
    assert not re.search(r"\b(?:rgb|hsl|lab|lch|oklch|color)a?\(", STYLE)
    assert len(STYLE.encode()) <= 20_000


def schemes() -> list[dict[str, str]]:
    """Names and colours of the light and of the dark scheme."""
    parts = STYLE.split("prefers-color-scheme: dark", 1)
    return [dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", part)[:5]) for part in parts]


SCHEMES = schemes()


@pytest.mark.parametrize("colours", SCHEMES, ids=["light", "dark"])
def test_text_and_lines_are_readable(colours: dict[str, str]) -> None:
    assert set(colours) == {"paper", "ink", "soft", "line", "link"}
    for words in ("ink", "soft", "link"):
        assert contrast(colours[words], colours["paper"]) >= 5.7
    assert contrast(colours["line"], colours["paper"]) >= 3.4  # WCAG 2.2, criterion 1.4.11 asks for 3


def contrast(one: str, other: str) -> float:
    """WCAG 2.2's contrast ratio: (L1 + 0.05)/(L2 + 0.05), L the relative luminance of sRGB."""

    def luminance(colour: str) -> float:
        parts = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
        linear = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
        return sum(weight * part for weight, part in zip((0.2126, 0.7152, 0.0722), linear, strict=True))

    dim, bright = sorted((luminance(one), luminance(other)))
    return (bright + 0.05) / (dim + 0.05)


def test_contrast_of_black_on_white_is_21() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)


def test_it_is_only_looked_at(client: Client) -> None:
    assert client.post("/").status_code == 405


@pytest.mark.parametrize(("why", "told"), [("failing", True), ("gone", True), ("asked", False), ("", False)])
def test_who_owns_a_subscription_that_was_switched_off_is_told_at_the_start(
    manager: User, logged_in: Caller, why: str, told: bool
) -> None:
    subscription, _ = subscription_add(
        principal=principal_of(manager), name="night desk", url="https://desk.example.com/in"
    )
    Subscription.objects.update(
        state="off" if why else "on", off_because=why, state_since=dt.datetime(2026, 11, 24, 9, tzinfo=dt.UTC)
    )
    said = "No events are pushed to night desk."
    text = html_in(logged_in(manager).get("/"))
    assert (said in text) is told
    if told:
        assert "https://desk.example.com/in was switched off on 24 Nov 2026: " in text
        assert f"POST /api/v1/subscriptions/{subscription.pk}/on" in text
    another = factories.make_user(User.Role.MANAGER, all_customers=True)
    assert said not in logged_in(another).get("/").content.decode()
