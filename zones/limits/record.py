"""Where the record itself does not hold: against a reading, or against being computed at all."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Rule
from zones.limits.limit import NO_SOURCE, Detail, Limit, Remedy, Severity

RECORD_LIMITS = (
    Limit(
        code="reading_disagrees",
        title="Reading disagrees with the record",
        rule=Rule("reading_disagrees", near_margin=0),
        subject_kind=SubjectKind.RUN,
        quantity="fraction by which a reading is outside the range computed without it",
        decimals=2,
        limit_from="none: a reading is between low and high, and scales guesses by a factor of 0.5 to 2",
        source=NO_SOURCE,
        severity=Severity.SOUND_SUFFERS,
        detail=Detail.READING,
        template="{subject}: {which} is {figure} outside the computed range. Read "
        "it again, or correct the record.",
        percent=True,
        past="a reading of {subject} is {figure} outside the computed range",
        in_order="every reading of {subject} within the computed range",
        remedies=(Remedy.CORRECT_RECORD,),
    ),
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
    "fed_twice": "two supplies feed the same section, so their currents cannot be separated",
    "parent_missing": "the point before one of its points is not there on this day",
}


def why_not_computed(reasons: Iterable[str]) -> str:
    """Why something cannot be computed, by the codes of the core; an error of a whole site is shown as is."""
    return "; ".join(NOT_COMPUTED.get(reason, reason) for reason in reasons)
