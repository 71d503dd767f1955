"""The closet sheet on paper: what it says and in which order, its pages, its tags and its bytes."""

from __future__ import annotations

import datetime as dt
import io
from dataclasses import replace
from typing import Any

import pytest
from django.conf import settings
from django.core.management import call_command
from pypdf import PdfReader
from pypdf.generic import DictionaryObject, IndirectObject

from api.demo.fleet import FOLDERS
from api.pages.closets.sheet import sheet_parts, sheet_pdf
from api.pages.closets.sheet_parts import SheetParts
from sites.changes.making import today_in
from sites.models import Closet, Contact, Secret, Site, User
from sites.services.closets import block_alter, closet_alter, contact_add
from sites.services.secrets import secret_add
from tests import factories
from tests.api.pages.reading import codes_on
from tests.halls import Hall
from zones.models import Zone
from zones.recheck.batch import recheck
from zones.services.landings import PairUse, landing_add
from zones.services.zones import zone_alter

TITLES = [
    "Life safety", "Dangers", "How to get in", "Whom to call", "What is wrong here", "Blocks",
    "To isolate a run", "Power", "Ports", "Zones fed from here", "Not recorded, and what settles it",
    "Last changes",
]  # fmt: skip
ADDRESS = "https://zonebook.example/closets/7"


def parts_of(closet: Closet, day: dt.date = factories.BUILT_ON) -> SheetParts:
    return sheet_parts(Closet.objects.select_related("site__customer").get(pk=closet.pk), day)


def pdf_of(closet: Closet) -> bytes:
    return sheet_pdf(parts_of(closet), ADDRESS)


def pages_of(document: bytes) -> list[str]:
    """The text of each page, with its lines joined."""
    return [" ".join(page.extract_text().split()) for page in PdfReader(io.BytesIO(document)).pages]


def tags_of(document: bytes) -> list[str]:
    """The structure types in reading order."""
    found: list[str] = []

    def walk(node: Any) -> None:
        if isinstance(node, IndirectObject):
            node = node.get_object()
        if isinstance(node, list):
            for one in node:
                walk(one)
        elif isinstance(node, DictionaryObject):
            if "/S" in node:
                found.append(str(node["/S"]))
            if "/K" in node:
                walk(node["/K"])

    walk(PdfReader(io.BytesIO(document)).trailer["/Root"]["/StructTreeRoot"])  # type: ignore[index]
    return found


@pytest.fixture
def landed(hall: Hall) -> Hall:
    """The hall with a pair on its block, and a site contact."""
    change = factories.change(hall.site)
    landing_add(change, block=hall.block, row=1, pair=1, carries=PairUse.DC, run=hall.run)
    contact_add(
        factories.change(hall.site),
        closet=hall.closet, role=Contact.Role.SITE, name="Maeve Lidgate", phone="902-555-0111",
    )  # fmt: skip
    return hall


def test_the_parts_stand_in_the_order_in_which_they_are_needed(landed: Hall) -> None:
    text = " ".join(pages_of(pdf_of(landed.closet)))
    places = [text.index(title) for title in TITLES]
    assert places == sorted(places), text


def test_the_way_there_is_on_the_first_page_and_the_blocks_are_on_the_second(landed: Hall) -> None:
    first, second, *others = pages_of(pdf_of(landed.closet))
    assert "Maeve Lidgate, site contact 902-555-0111" in first
    assert "Blocks" not in first
    assert second.startswith("Blocks")
    assert "Pull clips 1 and 2" in second
    assert "reading" in second, "what the box beside a run is for"
    assert f"page 1 of {2 + len(others)}" in first


def test_each_block_is_drawn_however_many_rows_are_in_use(landed: Hall) -> None:
    """70 rows in use: the page has only a link for them, the paper has them all."""
    block_alter(factories.change(landed.site), block=landed.block, row_count=100)
    change = factories.change(landed.site)
    for number in range(1, 35):
        pair = number % 25 + 1
        landing_add(
            change, block=landed.block, row=2 * number + 1, pair=pair, carries=PairUse.DC, run=landed.run
        )
    parts = parts_of(landed.closet)
    assert [block.is_whole for block in parts.blocks] == [False]
    (block,) = parts.blocks
    document = sheet_pdf(parts, ADDRESS)
    assert "Rows 71 to 100: nothing recorded." in " ".join(pages_of(document))
    undrawn = sheet_pdf(replace(parts, blocks=(replace(block, strips=()),)), ADDRESS)
    count, without = (tags_of(one).count("/Figure") for one in (document, undrawn))
    assert count - without == len(block.strips) > 2


def test_the_code_on_the_sheet_leads_to_its_page(landed: Hall) -> None:
    assert codes_on(pdf_of(landed.closet)) == [ADDRESS]


def test_a_bare_closet_has_one_page_and_says_what_is_not_recorded(db: None) -> None:
    (text,) = pages_of(pdf_of(factories.make_closet(factories.make_site())))
    assert "No zone is recorded as fed from here." in text
    assert "No site contact is recorded: ask the customer." in text
    assert "No supply and no amplifier is recorded here." in text
    assert "The address of the site is not recorded." in text


@pytest.mark.django_db(transaction=True)
def test_every_sheet_of_the_demo_has_two_pages_and_one_more_a_further_block(
    pytestconfig: pytest.Config,
) -> None:
    """Every third one, and all of them with --long: each takes a second."""
    folders = [settings.BASE_DIR / "fixtures" / name for name in FOLDERS]
    call_command("asbuilt", "import", *map(str, folders))
    assert not recheck([*Site.objects.values_list("pk", flat=True)]).failed
    closets = Closet.objects.select_related("site__customer").order_by("site__code", "name")
    assert len(closets) == 31
    too_long = {}
    for closet in closets[:: 1 if pytestconfig.getoption("--long") else 3]:
        parts = sheet_parts(closet, today_in(closet.site.time_zone))
        pages = len(pages_of(sheet_pdf(parts, ADDRESS)))
        if pages > 1 + max(1, len(parts.blocks)):
            too_long[f"{closet.site.code} {closet.name}"] = pages
    assert too_long == {}


def test_whether_life_safety_is_served_is_said_with_whom_to_ask(landed: Hall) -> None:
    (before, *_) = pages_of(pdf_of(landed.closet))
    assert "Life safety not recorded for zones Gangway and Ticket hall." in before
    assert "Ask Maeve Lidgate, 902-555-0111." in before
    for zone in (landed.zone, landed.gangway):
        zone_alter(factories.change(landed.site), zone=zone, life_safety=Zone.LifeSafety.NO)
    (after, *_) = pages_of(pdf_of(landed.closet))
    assert "No zone that is fed from here serves life safety." in after
    assert "Ask Maeve" not in after


def test_where_the_key_hangs_and_what_the_codes_are_is_not_on_paper(landed: Hall, manager: User) -> None:
    where = "third hook behind the ice machine"
    closet_alter(factories.change(landed.site), closet=landed.closet, key_location=where)
    secret_add(
        user=manager, site=landed.site, closet=landed.closet, label="yard", code="heron-4711",
        kind=Secret.Kind.DOOR,
    )  # fmt: skip
    document = pdf_of(landed.closet)
    text = " ".join(pages_of(document))
    assert "Key ask the site contact" in text
    assert where not in text
    assert "1 door code is kept for this closet" in text.replace("One", "1")
    assert "heron" not in text


@pytest.mark.django_db(transaction=True)
def test_what_is_wrong_stands_with_the_change_that_made_it_so(hall: Hall) -> None:
    factories.make_points(hall.run, 12, hall.speaker, length_m=1.0)
    assert not recheck([hall.site.pk]).failed
    parts = parts_of(hall.closet, today_in(hall.site.time_zone))
    (wrong, *_) = parts.wrong
    text = " ".join(pages_of(sheet_pdf(parts, ADDRESS)))
    assert wrong.figure.sentence in text
    assert f"{wrong.change}. Case {wrong.case_id}, open." in text
    assert wrong.figure.mark.startswith("<svg"), "the same mark as on the page"


def test_the_record_is_never_read_as_markup(landed: Hall) -> None:
    written = "#panic() $x^2$ *bold* <b>"
    closet_alter(factories.change(landed.site), closet=landed.closet, directions=written)
    assert written in pages_of(pdf_of(landed.closet))[0]


def test_the_same_sheet_is_the_same_file(landed: Hall) -> None:
    first = pdf_of(landed.closet)
    assert first == pdf_of(landed.closet)
    about = PdfReader(io.BytesIO(first)).metadata
    assert about is not None
    assert about.title == f"Closet {landed.closet.name}, {landed.site.name}"
    assert about.creation_date is None


def test_it_is_tagged_for_who_has_it_read_aloud(landed: Hall) -> None:
    document = pdf_of(landed.closet)
    tags = tags_of(document)
    assert tags.count("/H1") == 1
    assert tags.count("/H2") == len(TITLES)
    assert {"/Table", "/TH", "/TD", "/Figure", "/P"} <= set(tags)
    root: Any = PdfReader(io.BytesIO(document)).trailer["/Root"]
    assert root["/Lang"] == "en"
