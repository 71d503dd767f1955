"""The change behind a finding, as its page shows it: what was done, what the figure was before and after, and
each change set that had a part in it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from api.pages.templatetags.marks import NOT_RECORDED, day
from zones.findings.named_changes import Cause
from zones.limits.limit import Limit

Answer = Mapping[str, Any]
"""An answer of the API."""

NO_FIGURE: Final = "no figure"


@dataclass(frozen=True)
class Part:
    """A change set, and what part it had. facts: label and value."""

    heading: str
    id: int
    facts: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class NamedChange:
    """before, after, limit: of the figure, in words. parts: first what made the crossing."""

    heading: str
    what: str
    before: str
    after: str
    limit: str
    parts: tuple[Part, ...]


def named_changes(attribution: Answer, limit: Limit) -> list[NamedChange]:
    """One, or the two between which the limit was crossed; none where no change is named."""
    if attribution["between"]:
        return [
            _named("The first change that may have crossed it", attribution["between"]["since"], limit),
            _named("The last change that may have crossed it", attribution["between"]["until"], limit),
        ]
    if attribution["change"]:
        return [_named("", attribution["change"], limit)]
    return []


def since(attribution: Answer) -> str:
    """The day since which the figure has been so, as far as the record shows."""
    between = attribution["between"]
    if between:
        return f"between {day(between['since']['day'])} and {day(between['until']['day'])}"
    if attribution["day"] and attribution["cause"] == Cause.AS_FOUND:
        return f"as found on {day(attribution['day'])}, and perhaps before"
    return day(attribution["day"])


def _named(heading: str, change: Answer, limit: Limit) -> NamedChange:
    before, after = change["before"], change["after"]
    if change["cause"] == Cause.AS_FOUND:
        heading = f"As found on {day(change['day'])}"
    return NamedChange(
        heading=heading,
        what=change["what"],
        before=NO_FIGURE if before is None else limit.figure_text(before, apart_from=after),
        after=NO_FIGURE if after is None else limit.figure_text(after, apart_from=before),
        limit=limit.limit_text(change["limit"]),
        parts=tuple(_parts(change)),
    )


def _parts(change: Answer) -> Iterator[Part]:
    work, correction, note = change["change_set"], change["correction"], change["note"]
    if work and (not correction or work["id"] != correction["id"]):
        yield _part("The work", work)
    if correction:
        yield _part("The correction of the record that showed it", correction)
    if note:
        yield _part("A correction that did not make the difference", note)


def _part(heading: str, one: Answer) -> Part:
    done_by, actor = one["done_by"], one["actor"]
    return Part(
        heading,
        one["id"],
        (
            *(
                [("Done by", done_by), ("Recorded by", actor)]
                if done_by
                else [("Done and recorded by", actor)]
            ),
            ("Day", day(one["day"])),
            ("Job", one["job_reference"] or NOT_RECORDED),
            ("Reason", one["reason"] or NOT_RECORDED),
        ),
    )
