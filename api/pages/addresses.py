"""Where things have their page. Where this version has none, a thing is named without a link."""

from __future__ import annotations

import re
from datetime import date
from typing import Any, Final

from django.urls import NoReverseMatch, resolve, reverse


def page_of(kind: str, row_id: int, on: date | None = None) -> str:
    """The address of the page of a thing, as of a day; blank where there is none."""
    return _address(kind, on, id=row_id)


def calculation_of(code: str, kind: str, row_id: int, on: date | None = None) -> str:
    """The address of the page that works out a figure."""
    return _address("figure", on, code=code, kind=kind, id=row_id)


def dialled(phone: str) -> str:
    """``tel:`` and the number, which ends where anything else begins, as an extension does."""
    number = re.match(r"\+?[\d\s().-]*", phone.strip())
    digits = re.sub(r"[^\d+]", "", number[0]) if number else ""
    return f"tel:{digits}" if len(digits) > 1 else ""


def _address(name: str, on: date | None, **kwargs: Any) -> str:
    try:
        address = reverse(name, kwargs=kwargs)
    except NoReverseMatch:
        return ""
    return f"{address}?on={on}" if on and _takes_a_day(name, address) else address


_TAKE_A_DAY: Final[dict[str, bool]] = {}
"""By the name of a page; a list asks of hundreds of things."""


def _takes_a_day(name: str, address: str) -> bool:
    """Whether a page can show another day than today."""
    if name not in _TAKE_A_DAY:
        view: Any = resolve(address).func
        _TAKE_A_DAY[name] = "on" in view.view_class.query._declared_fields  # noqa: SLF001 - as the library has it
    return _TAKE_A_DAY[name]
