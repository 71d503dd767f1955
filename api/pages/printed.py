"""Documents as PDF: a template beside this module, and data that it reads as JSON.

Typst runs in the process, without the system's fonts and without a clock, so the same data makes the same
bytes everywhere. Text of the record reaches the template as strings, which are never read as markup.
"""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any, Final

import orjson
import segno
import typst
from django.http import HttpResponse

TEMPLATES: Final = Path(__file__).parent / "print"


def pdf(template: str, data: Any) -> bytes:
    """A tagged PDF that keeps PDF/UA-1. data: dataclasses, lists, texts and numbers."""
    made = typst.compile(
        str(TEMPLATES / template),
        root=str(TEMPLATES),
        font_paths=[str(TEMPLATES / "fonts")],
        ignore_system_fonts=True,
        sys_inputs={"data": orjson.dumps(data).decode()},
        format="pdf",
        pdf_standards=["ua-1"],
    )
    assert isinstance(made, bytes)
    return made


def answer_pdf(made: bytes, name: str) -> HttpResponse:
    """A document that a browser shows, and saves as ``name``.pdf."""
    shown = {"Content-Disposition": f'inline; filename="{name}.pdf"'}
    return HttpResponse(made, content_type="application/pdf", headers=shown)


def qr_code(address: str) -> str:
    """The address as SVG, which survives a fold or a stain on a tenth of it."""
    drawn = io.BytesIO()
    segno.make(address, error="m", micro=False).save(drawn, kind="svg", border=2, dark="#000", light="#fff")
    return drawn.getvalue().decode()


def standing_alone(svg: str) -> str:
    """A drawing of a page as a file of its own, which needs the namespace that HTML goes without."""
    return svg.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
