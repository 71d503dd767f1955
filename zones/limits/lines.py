"""Limits of constant-voltage and low-impedance lines, and of the amplifiers that drive them."""

from __future__ import annotations

from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Rule
from zones.limits.cautions import Caution
from zones.limits.limit import NO_SOURCE, Detail, Limit, Remedy, Severity

_AT_THE_AMPLIFIER = (Caution.LINE_VOLTAGE, Caution.DISCONNECT)

LINE_LIMITS = (
    Limit(
        code="amplifier_load",
        title="Amplifier load",
        rule=Rule("amplifier_load"),
        subject_kind=SubjectKind.AMPLIFIER,
        quantity="sum of the taps on the amplifier's lines",
        unit="W",
        decimals=1,
        limit_from="rated power of the amplifier × loading fraction (0.8)",
        source=f"rated power: data sheet; loading fraction: {NO_SOURCE}",
        severity=Severity.SILENCE,
        template="{subject} drives taps of {figure}; {limit}.",
        remedies=(Remedy.LOWER_TAPS, Remedy.MOVE_BRANCH, Remedy.LARGER_AMPLIFIER),
        cautions=_AT_THE_AMPLIFIER,
    ),
    Limit(
        code="line_impedance",
        title="Line impedance",
        rule=Rule("line_impedance", at_least=True),
        subject_kind=SubjectKind.AMPLIFIER,
        quantity="impedance of everything on the amplifier",
        unit="Ω",
        decimals=1,
        limit_from="lowest load impedance of the amplifier; on a constant-voltage line V²/P of its rated "
        "power",
        source="data sheet of the amplifier; Z = V²/P: audio handbooks",
        severity=Severity.SILENCE,
        template="{subject} drives a load of {figure}; {limit}.",
        remedies=(Remedy.LOWER_TAPS, Remedy.MOVE_BRANCH, Remedy.LARGER_AMPLIFIER),
        cautions=_AT_THE_AMPLIFIER,
    ),
    Limit(
        code="line_loss",
        title="Line loss",
        # Near at 1 dB, past at 3 dB
        rule=Rule("line_loss", near_margin=2.0),
        subject_kind=SubjectKind.RUN,
        quantity="loss in the cable to the device that gets least, 20·log10 of the voltages: the change in "
        "the power that a tap gets, not the efficiency",
        unit="dB",
        decimals=2,
        limit_from="3 dB, near at 1 dB",
        source=NO_SOURCE,
        severity=Severity.SOUND_SUFFERS,
        detail=Detail.POINT,
        template="{subject} loses {figure} in the cable to the speaker{at}; {limit}.",
        remedies=(Remedy.LOWER_TAPS, Remedy.SPARE_PAIR, Remedy.SPLIT_RUN),
        cautions=(Caution.LINE_VOLTAGE,),
    ),
)
