"""What findings and cases ask of people: by when, where to go, whom to call, what to beware of."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from api.pages.addresses import dialled, page_of
from api.pages.parts.people import person_of
from api.pages.templatetags.marks import NOT_RECORDED, at
from sites.models import Contract

Answer = Mapping[str, Any]
"""An answer of the API."""


def to_do(case: Answer, site: Answer, closet_id: int | None = None) -> dict[str, Any]:
    """What `_to_do.html` shows. closet_id: the closet that one finding is about; None: all of the case."""
    closets = [one for one in case["closets"] if closet_id in (None, one["id"])]
    return {
        "respond_by": at(case["respond_by"], site["time_zone"]) if case["respond_by"] else "",
        "contract": _contract(case["contract"]),
        "response": case["response"],
        "closets": closets,
        "people": [
            person_of(one, one["role"])
            for one in case["contacts"]
            if not closet_id or one["closet"] in (None, closet_id)
        ],
        "out_of_hours": site["out_of_hours_phone"],
        "out_of_hours_href": dialled(site["out_of_hours_phone"]),
    }


def _contract(one: Answer | None) -> dict[str, str] | None:
    if one is None:
        return None
    hours, cover = one["response_hours"], one["cover_hours"]
    return {
        "name": one["reference"],
        "href": page_of("contract", one["id"]),
        "hours": NOT_RECORDED if hours is None else f"{hours} h",
        "cover": NOT_RECORDED if not cover else Contract.CoverHours(cover).label,
    }
