"""Where the record itself does not hold: against a reading, or against being computed at all."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Rule
from zones.limits.limit import NO_SOURCE, Detail, Limit, Remedy, Severity


def _disagrees(code: str, what: str, unit: str, decimals: int, error: str) -> Limit:
    """The limit of one kind of reading. The figure is in the unit of the reading."""
    return Limit(
        code=code,
        title=f"{what.capitalize()} reading disagrees with the record",
        rule=Rule(code, near_margin=0),
        subject_kind=SubjectKind.RUN,
        quantity=f"how far a {what} reading, its error allowed for, is outside the range computed without it",
        unit=unit,
        decimals=decimals,
        limit_from="none: a reading is between low and high, give or take its error: what the instrument "
        f"states, else {error}",
        source=NO_SOURCE,
        severity=Severity.SOUND_SUFFERS,
        detail=Detail.READING,
        template="{subject}: {which} is {figure} outside the computed range. Read "
        "it again, or correct the record.",
        past="a reading of {subject} is {figure} outside the computed range",
        in_order=f"every {what} reading of {{subject}} within the computed range",
        remedies=(Remedy.CORRECT_RECORD,),
    )


RECORD_LIMITS = (
    _disagrees("reading_disagrees", "current", "A", 3, "5 % of it, 10 % during speech"),
    _disagrees("voltage_disagrees", "voltage", "V", 2, "1 % of it"),
    Limit(
        code="cannot_compute",
        title="Cannot be computed",
        rule=None,
        subject_kind=None,
        quantity="",
        limit_from="none",
        source="by definition: a load that cannot be computed cannot be judged",
        severity=Severity.SILENCE,
        template="{subject} cannot be computed.",
        past="{subject} cannot be computed",
        in_order="{subject} computed",
        remedies=(Remedy.CORRECT_RECORD,),
    ),
)

NOT_COMPUTED: Final = {
    "parent_missing": "the point before one of its points is not there on this day",
    # of findings that were cleared since release 0.2.0; supplies_paralleled judges it now
    "fed_twice": "two supplies feed the same section, so their currents cannot be told apart",
}


def why_not_computed(reasons: Iterable[str]) -> str:
    """Why something cannot be computed, by the codes of the core; an error of a whole site is shown as is."""
    return "; ".join(NOT_COMPUTED.get(reason, reason) for reason in reasons)
