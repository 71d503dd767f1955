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
        unit="",
        decimals=0,
        limit_from="speakers that the output is rated for (40 where its model states none)",
        source=f"rating: data sheet; 40 where none is stated: {NO_SOURCE}",
        severity=Severity.SOUND_SUFFERS,
        template="Speakers on {subject}: {figure}. It is meant for {limit}.",
        remedies=(Remedy.MOVE_BRANCH, Remedy.SPLIT_RUN),
    ),
    Limit(
        code="audio_level",
        title="Audio level",
        # Near at −3 dB where over is at −6 dB: half the way in decibels
        rule=Rule("audio_level", at_least=True, near_margin=3.0),
        subject_kind=SubjectKind.OUTPUT,
        quantity="level at the speaker that hears least, relative to the unloaded output",
        unit="dB",
        decimals=1,
        limit_from="sensitivity of the input where it and the output's level are known, else −6 dB",
        source=f"sensitivity and level: data sheets; −6 dB, near at −3 dB: {NO_SOURCE}",
        severity=Severity.SOUND_SUFFERS,
        detail=Detail.POINT,
        template="On {subject} the level at the speaker{place} is {figure}; it should not fall below "
        "{limit}.",
        remedies=(Remedy.MOVE_BRANCH, Remedy.SPLIT_RUN),
    ),
    Limit(
        code="other_zone",
        title="Device on another zone's run",
        rule=Rule("other_zone", near_margin=0),
        subject_kind=SubjectKind.RUN,
        quantity="devices on the run that hang in another zone",
        unit="",
        decimals=0,
        limit_from="none: who pages a zone expects its speakers to sound, and no others",
        source=NO_SOURCE,
        severity=Severity.SOUND_SUFFERS,
        detail=Detail.POINT,
        template="Devices on {subject} that hang in another zone: {figure}, the first{place}. They sound "
        "when the wrong zone is paged.",
        remedies=(Remedy.MOVE_BRANCH, Remedy.CORRECT_RECORD),
    ),
)
