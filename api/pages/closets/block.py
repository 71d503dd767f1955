"""A termination block: what is on each row, and what is disconnected where a run is isolated."""

from __future__ import annotations

from typing import Any, Final

from django.http import HttpRequest

from api.conventions import fields
from api.pages.answers import answer_of
from api.pages.drawings.block import block as drawn
from api.pages.page import OnQuery, Page
from api.pages.parts.figures import listed
from api.pages.parts.life_safety import life_safety
from api.pages.parts.long_lists import parts_of
from sites.models import Block

from .block_rows import free_rows, row_of

MOST_ROWS: Final = 100
"""On one page; what `rows_from` counts in."""


class BlockQuery(OnQuery):
    rows_from = fields.Whole(
        required=False, default=1, min_value=1, max_value=400, help_text="The first row that is shown."
    )


class BlockPage(Page):
    template_name = "pages/block.html"
    query = BlockQuery
    shows = Block

    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        address = f"blocks/{kwargs['id']}"
        found = answer_of(request, f"{address}/rows", as_of=self.on)
        load = answer_of(request, f"{address}/load", as_of=self.on)
        block = found["block"]
        first = min(self.asked["rows_from"], block["row_count"])
        last = min(first + MOST_ROWS - 1, block["row_count"])
        shown = [row for row in block["rows"] if first <= row["number"] <= last]
        return {
            "thing": block,  # `block` is what a template calls its own parts
            "way": [("site", found["site"]), ("closet", found["closet"])],
            "load": load,
            "verdict": load["verdict"] if load["items"] else "",
            "figures": listed(load["items"], self.on),
            **life_safety(load["zones"]),
            "strips": drawn(block, first, last),
            "rows": [row_of(row) for row in shown],
            "free": free_rows(block, first, last),
            "runs": _runs(found, shown, is_whole=last - first + 1 == block["row_count"]),
            "parts": parts_of(block["row_count"], MOST_ROWS, first),
        }


def _runs(found: Any, shown: list[Any], *, is_whole: bool) -> list[Any]:
    """Runs with a wire on the rows shown; for a whole block also runs whose rows are not recorded."""
    landed = {one["run_id"] for row in shown for one in row["conductors"]}
    return [run for run in found["runs"] if is_whole or run["id"] in landed]
