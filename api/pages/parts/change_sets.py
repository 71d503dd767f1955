"""Change sets as pages list them, each under what was said of it."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest

from api.pages.answers import answer_of


def drafts(request: HttpRequest, most: int, **of: Any) -> dict[str, Any]:
    """The latest drafts; how many there are where that is asked for."""
    found = answer_of(request, "change-sets", state="draft", order="-id", page_size=most, expand="site", **of)
    return {
        "drafts": named(found["items"], "draft"),
        "more_drafts": found["next"] is not None,
        "draft_count": found.get("count"),
    }


def changes(request: HttpRequest, most: int, **of: Any) -> dict[str, Any]:
    """The latest accepted change sets."""
    found = answer_of(
        request, "change-sets", state="accepted", order="-happened_on", page_size=most, expand="site", **of
    )
    return {"changes": named(found["items"], "change"), "more_changes": found["next"] is not None}


def named(change_sets: list[dict[str, Any]], noun: str) -> list[dict[str, Any]]:
    """With the name that leads to its page."""
    return [{**one, "name": one["reason"] or f"{noun} {one['id']}"} for one in change_sets]
