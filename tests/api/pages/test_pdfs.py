"""Every PDF: tagged for who has it read aloud, without a date of its own, and the same bytes each time."""

from __future__ import annotations

import io
from typing import Any

import pytest
from pypdf import PdfReader

from api.pages.urls import PAGES, Row
from sites.models import User
from tests.api.conftest import Caller
from tests.api.pages.test_closet_sheet_pdf import tags_of
from tests.page_addresses import Shown

PDFS = [row for row in PAGES if row.path.endswith(".pdf")]


@pytest.mark.parametrize("row", PDFS, ids=lambda row: row.name)
def test_it_is_tagged_and_the_same_bytes_each_time(
    row: Row, logged_in: Caller, manager: User, shown: Shown
) -> None:
    client, address = logged_in(manager), shown.address(row)
    document = client.get(address).content
    read = PdfReader(io.BytesIO(document))
    root: Any = read.trailer["/Root"]
    assert root["/Lang"] == "en"
    assert root["/MarkInfo"]["/Marked"]
    tags = tags_of(document)
    assert "/H1" in tags
    assert "/Figure" in tags or row.name == "contract-pdf", "the QR code has its words"
    assert read.metadata is not None
    assert read.metadata.title
    assert read.metadata.creation_date is None
    assert client.get(address).content == document
