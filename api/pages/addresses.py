"""Where things have their page. Where this version has none, a thing is named without a link."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.urls import NoReverseMatch, reverse


def page_of(kind: str, row_id: int, on: date | None = None) -> str:
    """The address of the page of a thing, as of a day; blank where there is none."""
    return _address(kind, on, id=row_id)


def calculation_of(code: str, kind: str, row_id: int, on: date | None = None) -> str:
    """The address of the page that works out a figure."""
    return _address("figure", on, code=code, kind=kind, id=row_id)


def _address(name: str, on: date | None, **kwargs: Any) -> str:
    try:
        address = reverse(name, kwargs=kwargs)
    except NoReverseMatch:
        return ""
    return f"{address}?on={on}" if on else address
