"""A list that is longer than a page shows, in parts with a link to each."""

from __future__ import annotations

from typing import Any


def parts_of(count: int, most: int, first: int) -> list[dict[str, Any]]:
    """For `_parts.html`: the first and last number of each part; first: of the part that is shown. Empty: all
    is on one page."""
    if count <= most:
        return []
    return [
        {"first": start, "last": min(start + most - 1, count), "is_here": start == first}
        for start in range(1, count + 1, most)
    ]
