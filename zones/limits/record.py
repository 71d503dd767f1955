"""Where the record itself does not hold: against a reading, or against being computed at all."""

from __future__ import annotations

from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Rule
from zones.limits.limit import NO_SOURCE, Detail, Limit, Remedy, Severity

RECORD_LIMITS = (
    Limit(
        code="reading_disagrees",
        title="Reading disagrees with the record",
        rule=Rule("reading_disagrees", near_margin=0),
        subject_kind=SubjectKind.RUN,
        quantity="fraction by which a reading lies outside what the record allows, before it is used to "
        "settle it",
        unit="",
        decimals=2,
        limit_from="none: a reading lies within low and high, and scales guesses by a factor of 0.5 to 2",
        source=NO_SOURCE,
        severity=Severity.SOUND_SUFFERS,
        detail=Detail.READING,
        template="A reading of {subject} lies outside what its record allows, by {figure} of it: the record "
        "or the reading is wrong.",
        remedies=(Remedy.CORRECT_RECORD,),
    ),
    Limit(
        code="cannot_compute",
        title="Cannot be computed",
        rule=None,
        subject_kind=None,
        quantity="",
        unit="",
        decimals=0,
        limit_from="none",
        source="what cannot be computed is not known to be within its limits: by definition",
        severity=Severity.SILENCE,
        template="{subject} cannot be computed, so nothing is known of its load.",
        remedies=(Remedy.CORRECT_RECORD,),
    ),
)
