"""Marks and words that every page shows alike. Figures keep the words and the rounding of their limit."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date, datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

from django import template
from django.template import Context
from django.utils.html import format_html
from django.utils.safestring import SafeString, mark_safe

from api.pages.addresses import page_of
from api.pages.days import written
from api.pages.drawings import reach as drawing
from sites import wording
from sites.wording import capital
from zones.electrical.estimates import LIMITS, WORDS, Estimate, Estimates
from zones.electrical.verdicts import Verdict
from zones.limits.registry import limit_by_code
from zones.loads.wording import VERDICT_WORDS

register = template.Library()

NOT_RECORDED: Final = "not recorded"
_UNITS: Final = "A|mA|V|VA|W|Ω|kΩ|MΩ|dB|dBu|m|ft|AWG|°C|%|h|s"
_MONTHS: Final = "Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec"
_BEFORE_UNIT: Final = re.compile(rf"(?<=\d) (?=(?:{_UNITS}|{_MONTHS})(?!\w))")


@register.simple_tag
def verdict(code: str | Verdict) -> SafeString:
    """The mark of a verdict: its word, whose weight tells how bad it is."""
    one = code if isinstance(code, Verdict) else Verdict[code.upper()]
    css = one.name.lower().replace("_", "-")
    return format_html('<span class="verdict {}">{}</span>', css, capital(VERDICT_WORDS[one]))


@register.simple_tag
def reach(figure: Mapping[str, Any]) -> SafeString:
    """The mark of a figure or a finding, as the API answers it."""
    return drawing.reach(
        limit_by_code(figure["code"]), _estimates(figure), Verdict[figure["verdict"].upper()]
    )


@register.simple_tag
def figure(shown: Mapping[str, Any]) -> str:
    """A figure with its range and its limit: ``1.83 A (1.74 A to 1.92 A); limit 1.60 A``."""
    limit, estimates = limit_by_code(shown["code"]), _estimates(shown)
    return f"{limit.band_text(estimates)}; {limit.limit_text(estimates.likely.limit)}"


@register.filter
def day(value: date | datetime | str | None) -> str:
    """``14 Mar 2025``, the day as it is written on every page."""
    if not value:
        return NOT_RECORDED
    one = datetime.fromisoformat(value) if isinstance(value, str) else value
    return written(one)


@register.filter
def at(value: datetime | str | None, time_zone: str) -> str:
    """``14 Mar 2025, 09:18 (America/Halifax)``: clock time at the site."""
    if not value:
        return NOT_RECORDED
    one = datetime.fromisoformat(value) if isinstance(value, str) else value
    there = one.astimezone(ZoneInfo(time_zone))
    return f"{day(there)}, {there:%H:%M} ({time_zone})"


@register.filter
def recorded(value: Any) -> Any:
    """The value, or that it is not recorded; 0 is recorded."""
    return NOT_RECORDED if value is None or value == "" else value


@register.filter
def with_units(html: str) -> SafeString:
    """What was rendered, each number on one line with its unit, each day with its month. Attributes and what
    somebody types into a form stay as they are, since they are sent."""

    def space(found: re.Match[str]) -> str:
        tag, tag_end = (html.rfind(end, 0, found.start()) for end in "<>")
        is_typed = tag > tag_end or html.startswith("<textarea", tag)
        return " " if is_typed else "\N{NO-BREAK SPACE}"

    return mark_safe(_BEFORE_UNIT.sub(space, html))  # noqa: S308 - only spaces differ


def beside(summary: str, verdict: str) -> str:
    """A summary that stands beside the mark of its verdict, without that word at its head."""
    word = capital(VERDICT_WORDS[Verdict[verdict.upper()]])
    return summary.removeprefix(f"{word}: ").removeprefix(f"{word} ")


@register.filter
def counted(value: int, noun: str) -> str:
    """``4 zones``, ``1 case``: a count with its noun."""
    return wording.counted(value, noun)


@register.simple_tag(takes_context=True)
def name_of(context: Context, kind: str, thing: Mapping[str, Any]) -> SafeString:
    """The name of a thing, leading to its page as of the day that this page shows."""
    address = page_of(kind, thing["id"], context.get("on"))
    if not address:
        return format_html("<b>{}</b>", thing["name"])
    return format_html('<a href="{}">{}</a>', address, thing["name"])


@register.simple_tag
def change_set(row_id: int) -> SafeString:
    """``Change set 41``, leading to its page."""
    return format_html('<a href="{}">Change set {}</a>', page_of("change-set", row_id), row_id)


def _estimates(figure: Mapping[str, Any]) -> Estimates:
    return Estimates(
        *(
            Estimate(
                figure[word],
                figure[limit],
                overloaded=word in figure["overloaded"],
                bound=word in figure["bounds"],
            )
            for word, limit in zip(WORDS, LIMITS, strict=True)
        )
    )
