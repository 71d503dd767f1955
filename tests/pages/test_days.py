"""A day of each person in a real browser: dispatcher, manager, technician, and a customer's reader."""

from __future__ import annotations

import io
from collections.abc import Callable

import pytest
from django.conf import settings
from django.urls import reverse
from playwright.sync_api import BrowserContext, Locator, Page, Route, expect
from pypdf import PdfReader

from api.pages.closets.door_keys import key_of
from sites.models import Contact, EndpointFacts, Secret, SecretReveal, User
from sites.services.closets import closet_alter, contact_add
from sites.services.secrets import secret_add
from tests import factories
from tests.page_addresses import Shown
from tests.pages.test_every_page import held_in_every_look
from zones.models import Finding, Test
from zones.services.landings import PairUse, landing_add

pytestmark = pytest.mark.django_db(transaction=True)

Window = Callable[..., BrowserContext]
PHONE_NUMBER, CODE = "+44 1632 960 117", "0815-heron#"


@pytest.fixture
def place(shown: Shown, manager: User) -> Shown:
    """The hall, with what a dispatcher asks for: a contact who calls, a key, a door code."""
    closet, site = shown.hall.closet, shown.hall.site
    closet_alter(
        factories.change(site), closet=closet, name="Signal cupboard", building="North quay", floor="2",
        room="2.14", key_location="ticket office, hook 14", dangers="Fork-lift trucks pass the door",
    )  # fmt: skip
    contact_add(
        factories.change(site), closet=closet, role=Contact.Role.SITE, name="Maeve Lidgate",
        phone=PHONE_NUMBER,
    )  # fmt: skip
    for row, pair, carries in ((1, 1, PairUse.AUDIO), (3, 2, PairUse.DC)):
        landing_add(
            factories.change(site),
            block=shown.hall.block,
            row=row,
            pair=pair,
            carries=carries,
            run=shown.hall.run,
        )
    secret_add(
        user=manager, site=site, kind=Secret.Kind.DOOR, label="street door", code=CODE, closet=closet
    )  # fmt: skip
    closet.refresh_from_db()
    return shown


def opened(page: Page, name: str) -> None:
    """Expect the page of the thing."""
    expect(page.get_by_role("heading", level=1)).to_contain_text(name)


def search(page: Page, words: str) -> None:
    page.get_by_role("searchbox").fill(words)
    page.keyboard.press("Enter")


def test_a_dispatcher_finds_the_caller_and_reads_what_to_do(
    place: Shown, dispatcher: User, window: Window
) -> None:
    hall = place.hall
    page = window(dispatcher).new_page()
    page.goto("/")
    # The caller's number, as a telephone shows it
    search(page, "01632 960117")
    page.get_by_role("link", name="Maeve Lidgate").click()
    opened(page, hall.site.name)
    page.get_by_role("link", name=hall.zone.name, exact=True).first.click()
    opened(page, hall.zone.name)
    # From the zone to the closet that feeds it in one click
    page.get_by_role("link", name="Signal cupboard").first.click()
    opened(page, "Signal cupboard")
    order = page.locator("main h2").all_inner_texts()
    first = ["Life safety", "Dangers", "How to get in", "Whom to call", "Codes", "What is wrong here"]
    assert order[: len(first)] == first
    said = page.locator("main").inner_text()
    assert "Fork-lift trucks pass the door" in said
    assert "ticket office, hook 14" in said
    # by hand: 52 speakers at half of 80 mA
    expect(page.locator("main")).to_contain_text("Supply PS 1 delivers 2.08 A")
    assert CODE not in said
    expect(page.get_by_role("link", name=PHONE_NUMBER).first).to_have_attribute("href", "tel:+441632960117")
    isolation = page.locator("section", has=page.get_by_role("heading", name="To isolate a run")).inner_text()
    assert "R1" in isolation
    assert "Pull clips 1 to 4" in isolation

    address = page.get_by_role("link", name="This sheet as PDF").get_attribute("href")
    assert address is not None
    printed = PdfReader(io.BytesIO(page.request.get(address).body()))
    assert len(printed.pages) <= 3
    text = "".join(one.extract_text() for one in printed.pages)
    assert "hook 14" not in text  # what is printed may lie in a van
    assert CODE not in text


def test_a_dispatcher_finds_a_misspelt_closet(place: Shown, dispatcher: User, window: Window) -> None:
    page = window(dispatcher).new_page()
    page.goto("/")
    search(page, "sginal cupbaord")
    page.get_by_role("link", name="Signal cupboard").first.click()
    opened(page, "Signal cupboard")


def test_a_code_is_shown_for_a_reason_for_a_minute_and_noted(
    place: Shown, dispatcher: User, window: Window
) -> None:
    page = window(dispatcher).new_page()
    page.goto(f"/closets/{place.hall.closet.pk}/codes")
    expect(page.get_by_text("street door", exact=True)).to_be_visible()
    assert CODE not in page.content()
    page.get_by_label("Why you need the code").first.fill("night call, T-40718")
    page.route("**/codes", _in_a_second)
    with page.expect_response(lambda answer: answer.request.method == "POST") as shown:
        page.get_by_role("button", name="Show the code of street door").click()
    expect(page.get_by_text(CODE)).to_be_visible()
    assert "no-store" in (shown.value.header_value("Cache-Control") or "")
    # The browser goes on by itself to the list, which has no code: after 60 s, here after one
    expect(page.get_by_label("Why you need the code").first).to_be_visible()
    assert CODE not in page.content()
    logged = SecretReveal.objects.get()
    assert (logged.reason, logged.secret_id) == ("night call, T-40718", Secret.objects.get().pk)
    page.go_back()
    assert CODE not in page.content()


def _in_a_second(route: Route) -> None:
    """The answer, with what is to happen after 60 s a second from now."""
    answer = route.fetch()
    headers = dict(answer.headers)
    if "refresh" in headers:
        assert headers["refresh"].startswith("60; ")
        headers["refresh"] = headers["refresh"].replace("60;", "1;")
    route.fulfill(response=answer, headers=headers)


def test_a_manager_goes_from_mondays_fleet_to_the_calculation_and_defers(
    place: Shown, manager: User, window: Window
) -> None:
    finding = place.finding
    page = window(manager).new_page()
    page.goto("/")
    page.get_by_role("navigation").get_by_role("link", name="Fleet").click()
    opened(page, "Fleet")
    page.locator(f"a[href='/cases/{finding.case_id}']").first.click()
    page.locator(f"a[href^='/findings/{finding.pk}']").first.click()
    opened(page, "PS 1")
    expect(page.locator("a[href^='/changes/']").first).to_be_visible()
    page.get_by_role("link", name="Show the calculation").first.click()
    expect(page.locator("main")).to_contain_text("2.08")
    page.go_back()
    page.get_by_role("link", name=f"History of {place.hall.zone.name}").click()
    opened(page, f"History of {place.hall.zone.name}")
    page.go_back()
    page.locator("summary", has_text="Defer until").click()
    form = page.locator("form", has=page.get_by_role("button", name="Defer", exact=True))
    form.get_by_label("Until").fill("2099-12-24")
    form.get_by_label("Why").fill("new supply is ordered")
    form.get_by_role("button", name="Defer").click()
    expect(page.locator("main")).to_contain_text("new supply is ordered")
    finding.refresh_from_db()
    assert (finding.state, finding.state_reason) == (Finding.State.DEFERRED, "new supply is ordered")


def test_a_technician_comes_from_the_label_at_the_door_to_the_rows(
    place: Shown, technician: User, window: Window
) -> None:
    """On a phone: log-in lies between the label and the sheet."""
    technician.set_password("three-quiet-horns")
    technician.save(update_fields=["password"])
    page = window(width=360).new_page()
    page.goto(reverse("door", kwargs={"key": key_of(place.hall.closet.pk)}))
    page.get_by_label("Username").fill(technician.username)
    page.get_by_label("Password").fill("three-quiet-horns")
    page.get_by_role("button", name="Log in").click()
    opened(page, "Signal cupboard")
    page.locator(f"a[href^='/blocks/{place.hall.block.pk}']").first.click()
    opened(page, place.hall.block.name)
    assert page.evaluate("document.documentElement.scrollWidth") <= 360


def test_a_technician_proves_a_run_and_puts_its_device_into_service(
    place: Shown, technician: User, window: Window
) -> None:
    """On a phone, one reading a screen; what a reading should be is shown after it is in."""
    run = place.hall.run
    page = window(technician, width=360).new_page()
    page.goto(f"/runs/{run.pk}")
    page.get_by_role("link", name="Take the tests").click()
    for title in ("Continuity", "Shorts", "Polarity", "Tone trace"):
        opened(page, title)
        page.get_by_role("button", name="Passed").click()
    for value, word in (("0.84", "As expected"), ("9.99", "Outside")):
        opened(page, "Run current at the block")
        expect(page.locator("main")).not_to_contain_text("xpected")
        held_in_every_look(page)
        page.get_by_label("Reading in A").fill(value)
        page.get_by_role("button", name="Store").click()
        expect(page.locator("main")).to_contain_text(word)
        if word == "Outside":
            held_in_every_look(page)
            page.get_by_role("link", name="Read again").click()
            page.get_by_label("Reading in A").fill("1.7")
            page.get_by_role("button", name="Store").click()
            expect(page.locator("main")).to_contain_text("As expected")
        page.get_by_role("link", name="Go on").click()
    opened(page, "DC voltage at a point")
    page.get_by_role("link", name="Skip this test").click()
    opened(page, "Listening")
    page.get_by_role("button", name="Passed").click()
    expect(page.locator("main")).to_contain_text("all four tests passed")
    page.get_by_label("Why").fill("proven today")
    page.get_by_role("button", name="Put into service").click()
    expect(page.get_by_role("button", name="Put into service")).to_have_count(0)
    facts = EndpointFacts.objects.filter(endpoint=place.hall.gateway).order_by("step").last()
    assert facts is not None
    assert facts.service == EndpointFacts.Service.IN_SERVICE
    assert Test.objects.filter(run=run, superseded_by=None).count() == 7


def test_a_reader_sees_the_own_customer_and_nothing_else(place: Shown, reader: User, window: Window) -> None:
    strange = factories.make_site(name="Elsewhere pier")
    page = window(reader).new_page()
    page.goto("/fleet")
    expect(page.locator("main")).not_to_contain_text("Elsewhere pier")
    search(page, "Elsewhere pier")
    expect(page.get_by_role("link", name="Elsewhere pier")).to_have_count(0)
    answer = page.goto(f"/sites/{strange.pk}")
    assert answer is not None
    assert answer.status == 404
    page.goto(f"/findings/{place.finding.pk}")
    opened(page, "PS 1")
    expect(page.get_by_role("button", name="Defer")).to_have_count(0)


def test_everything_works_without_javascript(place: Shown, dispatcher: User, window: Window) -> None:
    finding = place.finding
    page = window(dispatcher, scripts=False).new_page()
    page.goto("/")
    search(page, place.hall.site.name)
    page.get_by_role("link", name=place.hall.site.name).first.click()
    opened(page, place.hall.site.name)
    page.get_by_role("link", name="Signal cupboard").first.click()
    opened(page, "Signal cupboard")
    page.locator("summary", has_text="Energised here").click()
    expect(page.get_by_text("Disconnect and check before touching").first).to_be_visible()
    page.get_by_role("link", name="Codes").click()
    page.get_by_label("Why you need the code").first.fill("night call, T-40718")
    page.get_by_role("button", name="Show the code of street door").click()
    expect(page.get_by_text(CODE)).to_be_visible()
    page.goto(f"/findings/{finding.pk}")
    page.locator("summary", has_text="Acknowledge").click()
    form = page.locator("form", has=page.get_by_role("button", name="Acknowledge", exact=True))
    form.get_by_label("Remark").fill("Rune goes on Monday")
    form.get_by_role("button", name="Acknowledge").click()
    expect(page.locator("main")).to_contain_text("Rune goes on Monday")


def test_a_session_that_ends_in_the_middle_of_a_form_loses_nothing(
    place: Shown, manager: User, window: Window
) -> None:
    manager.set_password("three-quiet-horns")
    manager.save(update_fields=["password"])
    finding = place.finding
    context = window(manager)
    page = context.new_page()
    page.goto(f"/findings/{finding.pk}")
    page.locator("summary", has_text="Defer until").click()
    form = page.locator("form", has=page.get_by_role("button", name="Defer", exact=True))
    form.get_by_label("Until").fill("2099-12-24")
    form.get_by_label("Why").fill("new supply is ordered")
    context.clear_cookies(name=settings.SESSION_COOKIE_NAME)
    form.get_by_role("button", name="Defer").click()
    expect(page.get_by_text("What you typed is kept")).to_be_visible()
    held_in_every_look(page)
    page.get_by_label("Username").fill(manager.username)
    page.get_by_label("Password").fill("three-quiet-horns")
    page.get_by_role("button", name="Log in").click()
    expect(page.get_by_text("Nothing is sent yet")).to_be_visible()
    expect(page.locator("main")).to_contain_text("new supply is ordered")
    held_in_every_look(page)
    page.get_by_role("button", name="Defer").click()
    opened(page, "PS 1")
    finding.refresh_from_db()
    assert (finding.state, finding.state_reason) == (Finding.State.DEFERRED, "new supply is ordered")


def tab_to(page: Page, wanted: Locator, most: int = 80) -> None:
    """Press Tab until it has the focus."""
    for _ in range(most):
        page.keyboard.press("Tab")
        if wanted.evaluate("(one) => one === document.activeElement"):
            return
    pytest.fail(f"no Tab leads to {wanted}")


def follow(page: Page, wanted: Locator) -> None:
    tab_to(page, wanted)
    page.keyboard.press("Enter")


def test_a_dispatchers_day_takes_no_mouse(place: Shown, dispatcher: User, window: Window) -> None:
    """From the caller's number to the sheet, the rows, a code, and the finding that is dealt with."""
    hall = place.hall
    finding = place.finding
    page = window(dispatcher).new_page()
    page.goto("/")
    tab_to(page, page.get_by_role("searchbox"))
    page.keyboard.type("01632 960117")
    page.keyboard.press("Enter")
    follow(page, page.get_by_role("link", name="Maeve Lidgate"))
    opened(page, hall.site.name)
    follow(page, page.get_by_role("link", name=hall.zone.name, exact=True).first)
    opened(page, hall.zone.name)
    follow(page, page.get_by_role("link", name="Signal cupboard").first)
    opened(page, "Signal cupboard")
    follow(page, page.locator(f"main a[href^='/blocks/{hall.block.pk}']").first)
    opened(page, hall.block.name)
    # The drawing of a block may be wider than the window: its region takes the focus, to be scrolled
    tab_to(page, page.get_by_role("region", name="Drawing of block"))
    follow(page, page.get_by_role("navigation").get_by_role("link", name="Start"))
    follow(page, page.get_by_role("link", name="Signal cupboard").first)
    follow(page, page.locator(f"a[href='/closets/{hall.closet.pk}/codes']").first)
    tab_to(page, page.get_by_label("Why you need the code").first)
    page.keyboard.type("night call, T-40718")
    follow(page, page.get_by_role("button", name="Show the code of street door"))
    expect(page.get_by_text(CODE)).to_be_visible()
    follow(page, page.get_by_role("link", name="Hide it now"))
    expect(page.get_by_text(CODE)).to_have_count(0)
    follow(page, page.locator(f"a[href='/closets/{hall.closet.pk}']").first)
    follow(page, page.locator(f"a[href^='/findings/{finding.pk}']").first)
    opened(page, "PS 1")
    follow(page, page.locator("summary", has_text="Acknowledge"))
    form = page.locator("form", has=page.get_by_role("button", name="Acknowledge", exact=True))
    tab_to(page, form.get_by_label("Remark"))
    page.keyboard.type("Rune goes on Monday")
    follow(page, form.get_by_role("button", name="Acknowledge"))
    expect(page.locator("main")).to_contain_text("Rune goes on Monday")
    finding.refresh_from_db()
    assert (finding.state, finding.state_reason) == (Finding.State.ACKNOWLEDGED, "Rune goes on Monday")
