"""Limits of the audio side of self-amplified runs."""

from __future__ import annotations

from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Rule
from zones.limits.limit import NO_SOURCE, Detail, Limit, Remedy, Severity

AUDIO_LIMITS = (
    Limit(
        code="output_speakers",
        title="Speakers per output",
        rule=Rule("output_speakers"),
        subject_kind=SubjectKind.OUTPUT,
        quantity="speakers on the output",
        limit_from="speakers that the output is rated for (40 where its model states none)",
        source=f"rating: data sheet; 40 where none is stated: {NO_SOURCE}",
        severity=Severity.SOUND_SUFFERS,
        template="{subject} drives {figure}; {limit}.",
        noun="speaker",
        remedies=(Remedy.MOVE_BRANCH, Remedy.SPLIT_RUN),
    ),
    Limit(
        code="audio_level",
        title="Audio level",
        # Near at −3 dB, past at −6 dB
        rule=Rule("audio_level", at_least=True, near_margin=3.0),
        subject_kind=SubjectKind.OUTPUT,
        quantity="level at the speaker with the least to spare, relative to the unloaded output",
        unit="dB",
        decimals=1,
        limit_from="of each input: its sensitivity where that and the output's level are known, else −6 dB",
        source=f"sensitivity and level: data sheets; −6 dB, near at −3 dB: {NO_SOURCE}",
        severity=Severity.SOUND_SUFFERS,
        detail=Detail.POINT,
        template="{subject} delivers {figure} to the speaker{at}; {limit}.",
        remedies=(Remedy.MOVE_BRANCH, Remedy.SPLIT_RUN),
    ),
    Limit(
        code="other_zone",
        title="Device on another zone's run",
        rule=Rule("other_zone", near_margin=0),
        subject_kind=SubjectKind.RUN,
        quantity="devices on the run that are in another zone",
        limit_from="none: a page sounds in its zone and in no other",
        source=NO_SOURCE,
        severity=Severity.SOUND_SUFFERS,
        detail=Detail.POINT,
        template="{subject} has {figure} in another zone{first}. Pages to that zone are not heard there.",
        noun="device",
        past="{figure} in another zone on {subject}",
        in_order="no device in another zone on {subject}",
        remedies=(Remedy.MOVE_BRANCH, Remedy.CORRECT_RECORD),
    ),
)
