"""A page as a test reads it, and the codes on a printed one."""

from __future__ import annotations

import re
from html import unescape
from typing import Any, Final

import pypdfium2
import zxingcpp
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

MOST_BYTES: Final = 100_000
DOTS_AN_INCH: Final = 150
"""Of the picture of a printed page: fewer than any telephone's camera takes."""


def html_in(answer: Any) -> str:
    """The HTML of an answer, of 100 kB at most. Spaces between numbers and units are plain ones, as a browser
    copies them."""
    assert len(answer.content) <= MOST_BYTES
    text: str = answer.content.decode()
    return text.replace("\N{NO-BREAK SPACE}", " ")


def html_of(client: Client, path: str, **query: str) -> str:
    answer = client.get(f"/{path}", query)
    assert answer.status_code == 200, answer.content
    return html_in(answer)


def text_of(html: str) -> str:
    """What is read: without tags, each space as one."""
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html)))


def facts_of(html: str) -> dict[str, str]:
    """What is recorded, by its label."""
    found = re.findall(r"<dt>(.*?)</dt><dd>(.*?)</dd>", html, flags=re.DOTALL)
    return {label: text_of(value).strip() for label, value in found}


def queries_of(client: Client, path: str) -> tuple[int, str]:
    """How many queries a page takes, and the page."""
    with CaptureQueriesContext(connection) as captured:
        html = html_of(client, path)
    return len(captured), html


def codes_on(document: bytes) -> list[str]:
    """What the QR codes on the pages of a PDF say, as a camera reads them."""
    found = []
    for page in pypdfium2.PdfDocument(document):
        picture = page.render(scale=DOTS_AN_INCH / 72, grayscale=True).to_numpy()
        found += [one.text for one in zxingcpp.read_barcodes(picture)]
    return found
