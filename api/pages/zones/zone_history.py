"""The years of a zone: each figure from its commissioning on, and what pushed it past its limit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any, Final

from django.http import HttpRequest
from django.utils.safestring import SafeString

from api.conventions.filters import Names
from api.pages.addresses import calculation_of, page_of
from api.pages.answers import answer_of
from api.pages.drawings.years import years
from api.pages.page import OnQuery, Page
from api.v1.figures import CODES
from sites.wording import capital
from zones.electrical.verdicts import Verdict
from zones.loads.wording import VERDICT_WORDS
from zones.models import Zone

MOST: Final = 40
"""Changes of a figure that are drawn and listed; the earlier ones are on the page of an earlier day."""


class HistoryPageQuery(OnQuery):
    code = Names(CODES, required=False, help_text="Only these limits, with commas between them.")


@dataclass(frozen=True)
class Change:
    """An entry of the history: its number, whether the limit was crossed there, and where its change sets
    are."""

    number: int
    entry: Mapping[str, Any]
    crossed: bool
    change_set: str
    correction: str


@dataclass(frozen=True)
class Followed:
    """One figure over the years. earlier: how many changes are left out here, and until which day they are
    shown."""

    line: Mapping[str, Any]
    verdict: str
    drawing: SafeString
    changes: tuple[Change, ...]
    earlier: int
    earlier_until: date | None
    calculation: str


class ZoneHistoryPage(Page):
    template_name = "pages/zone_history.html"
    query = HistoryPageQuery
    shows = Zone

    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        address = f"zones/{kwargs['id']}"
        zone = answer_of(request, address, as_of=self.on, expand="site")
        codes = self.asked.get("code")
        history = answer_of(
            request, f"{address}/history", as_of=self.on, code=",".join(codes) if codes else None
        )
        until = date.fromisoformat(history["as_of"])
        # Asked for by its code, a figure shows its years, whether it crossed or not
        shown = [one for one in history["items"] if codes or one["crossings"]]
        return {
            "zone": zone,
            "way": [("site", zone["site"]), ("zone", zone)],
            "codes": codes,
            "followed": [self._followed(one, until) for one in shown],
            "others": [
                {"line": one, "last": one["entries"][-1], "changes": len(one["entries"]) - 1}
                for one in history["items"]
                if not codes and not one["crossings"] and one["entries"]
            ],
            "left_out": history["left_out"],
        }

    def _followed(self, line: Mapping[str, Any], until: date) -> Followed:
        entries = line["entries"]
        first = max(len(entries) - MOST, 0)
        crossed = _crossed(line)
        verdict = entries[-1]["verdict"]
        words = f"{line['title']}, {line['subject']['name']}: {VERDICT_WORDS[Verdict[verdict.upper()]]}"
        said = [one["sentence"] for one in line["crossings"]] or [entries[-1]["sentence"]]
        return Followed(
            line=line,
            verdict=verdict,
            drawing=years(
                {**line, "entries": entries[first:]},
                until,
                crossed={place - first for place in crossed},
                title=capital(words),
                description=" ".join(said),
                first=first + 1,
            ),
            changes=tuple(
                Change(
                    number=place + 1,
                    entry=entry,
                    crossed=place in crossed,
                    change_set=_change_set(entry["change_set"]),
                    correction=_change_set(entry["correction"]),
                )
                for place, entry in enumerate(entries[first:], first)
            ),
            earlier=first,
            earlier_until=date.fromisoformat(entries[first]["day"]) - timedelta(days=1) if first else None,
            calculation=calculation_of(line["code"], line["subject"]["kind"], line["subject"]["id"], self.on),
        )


def _crossed(line: Mapping[str, Any]) -> set[int]:
    """The places of the entries at which the likely estimate crossed the limit; where the estimates crossed
    it at different changes, of the first and the last of these too."""
    at = {(one["day"], one["sentence"]) for one in line["crossings"]}
    between = (line["attribution"] or {}).get("between")
    sets = {
        change["change_set"]["id"]
        for change in (between.values() if between else ())
        if change["change_set"] is not None
    }
    return {
        place
        for place, entry in enumerate(line["entries"])
        if (entry["day"], entry["sentence"]) in at
        or (entry["change_set"] is not None and entry["change_set"]["id"] in sets)
    }


def _change_set(of: Mapping[str, Any] | None) -> str:
    return "" if of is None else page_of("change-set", of["id"])
