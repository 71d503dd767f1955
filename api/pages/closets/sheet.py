"""The closet sheet as people read it, on the page and on paper: the API's answer, with figures' marks."""

from __future__ import annotations

import datetime as dt
import functools
from dataclasses import asdict
from typing import Any

from api.pages.days import with_days_written
from api.pages.drawings.reach import reach
from api.pages.printed import pdf, qr_code, standing_alone
from api.v1.closet_sheets import closet_sheet_data
from sites.models import Closet
from zones.electrical.subjects import SubjectKind
from zones.sheets.closet_sheet import ClosetSheet, closet_sheet

from .sheet_arrangement import FigureKey, Marks, parts_of
from .sheet_parts import SheetParts


def sheet_parts(closet: Closet, as_of: dt.date) -> SheetParts:
    """closet: with its site and customer."""
    sheet = closet_sheet(closet, as_of)
    return parts_of(with_days_written(closet_sheet_data(sheet)), _marks(sheet), closet.site.length_unit)


def _marks(sheet: ClosetSheet) -> Marks:
    """They are drawn when they are asked for: most figures are within their limits, and not shown."""
    figures = {
        (one.limit.code, SubjectKind(one.load.subject_kind).name.lower(), one.load.subject_id): one
        for zone in sheet.zones
        for one in zone.load.figures
    }

    @functools.cache
    def mark(key: FigureKey) -> str:
        one = figures.get(key)
        return "" if one is None else reach(one.limit, one.load.estimates, one.load.verdict)

    return mark


def sheet_pdf(parts: SheetParts, address: str) -> bytes:
    """One page for the way there, and more for the blocks. address: of the page, where its QR code leads."""
    return pdf("closet_sheet.typ", {"sheet": _on_paper(parts), "code": qr_code(address), "address": address})


def _on_paper(parts: SheetParts) -> dict[str, Any]:
    """The parts with the paper's values in place: a template cannot print the others by mistake."""
    shown = asdict(parts)
    for fact in shown["way_in"]:
        fact["value"] = fact.pop("on_paper") or fact["value"]
    for block in shown["blocks"]:
        block["strips"] = [standing_alone(strip) for strip in block["strips"]]
    for figure in _figures(shown):
        figure["mark"] = standing_alone(figure["mark"])
    return shown


def _figures(value: Any) -> list[dict[str, Any]]:
    if isinstance(value, dict):
        if "mark" in value:
            return [value]
        value = value.values()
    elif not isinstance(value, list | tuple):
        return []
    return [figure for one in value for figure in _figures(one)]
