"""Limits of self-amplified runs on DC: supplies, voltage and current."""

from __future__ import annotations

from dataclasses import replace

from zones.electrical.self_amplified import FULL_OUTPUT
from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Rule
from zones.limits.cautions import Caution
from zones.limits.limit import NO_SOURCE, Detail, Limit, Remedy, Severity

_AT_WHAT_ZONES_CARRY = (
    Limit(
        code="supply_current",
        title="Supply current",
        rule=Rule("supply_current"),
        subject_kind=SubjectKind.SUPPLY,
        quantity="current of the supply while everything it feeds is paged",
        unit="A",
        decimals=2,
        limit_from="rated current of the supply × loading fraction (0.8)",
        source=f"rated current: data sheet; loading fraction: {NO_SOURCE}",
        severity=Severity.SILENCE,
        template="{subject} delivers {figure} during a page; {limit}.",
        overloaded="{subject} has no stable voltage for loads in watts during a page: overloaded; {limit}.",
        remedies=(Remedy.MOVE_BRANCH, Remedy.SECOND_SUPPLY, Remedy.LARGER_SUPPLY),
        cautions=(Caution.DISCONNECT, Caution.WIRING_CLASSES),
    ),
    Limit(
        code="wiring_class",
        title="Wiring class",
        rule=Rule("wiring_class", near_margin=0),
        subject_kind=None,
        quantity="runs of a supply or amplifier in cable that its marking does not allow",
        limit_from="none: in communications or Class 2 cable the source is marked Class 2, or as a limited "
        "power source; its power does not count",
        source="NEC 725.60 (formerly 725.121), outputs of amplifiers 640.9(C), cables 725.154 (from memory)",
        severity=Severity.HAZARD,
        template="{subject} feeds {figure} in communications or Class 2 cable and does not have the marking "
        "that such cable needs: Class 2 or limited power source.",
        open_question="{subject} feeds {figure}; whether its class allows the cable is open: its marking "
        "(read the label) or the listing of the cable is not recorded, or the NEC does not govern the site.",
        noun="run",
        past="{subject} feeds {figure} in cable that its marking does not allow",
        in_order="{subject} feeds no run in cable that its marking does not allow",
        remedies=(Remedy.CORRECT_RECORD, Remedy.REWIRE),
        cautions=(Caution.LOCAL_CODE, Caution.WIRING_CLASSES),
    ),
    Limit(
        code="run_voltage",
        title="Voltage at the last speaker",
        rule=Rule("run_voltage", at_least=True),
        subject_kind=SubjectKind.RUN,
        quantity="voltage at the speaker with the least margin during a page",
        unit="V",
        decimals=1,
        limit_from="lowest voltage at which the speaker works",
        source="data sheet of the speaker",
        severity=Severity.SILENCE,
        detail=Detail.POINT,
        template="{subject} delivers {figure} to the speaker{at} during a page; {limit}.",
        remedies=(Remedy.SPARE_PAIR, Remedy.MOVE_BRANCH, Remedy.SPLIT_RUN, Remedy.SECOND_SUPPLY),
        cautions=(Caution.DISCONNECT,),
        overloaded="{subject} has no stable voltage during a page: overloaded; {limit}.",
    ),
    Limit(
        code="run_current",
        title="Run current against its fuse",
        rule=Rule("run_current"),
        subject_kind=SubjectKind.RUN,
        quantity="current through the run's own fuse during a page",
        unit="A",
        decimals=2,
        limit_from="rating of the fuse × loading fraction (0.8)",
        source=f"rating: marking of the fuse; loading fraction: {NO_SOURCE}",
        severity=Severity.SILENCE,
        template="{subject} draws {figure} through its fuse during a page; {limit}.",
        remedies=(Remedy.MOVE_BRANCH, Remedy.SPLIT_RUN, Remedy.SECOND_SUPPLY),
        cautions=(Caution.DISCONNECT, Caution.WIRING_CLASSES),
    ),
    Limit(
        code="conductor_current",
        title="Conductor current",
        rule=Rule("conductor_current"),
        subject_kind=SubjectKind.RUN,
        quantity="current in one conductor of the hardest-loaded segment during a page",
        unit="A",
        decimals=2,
        limit_from="rating of the cable type for one conductor (1 A for 24 AWG and thicker where none "
        "is given)",
        source=f"rating: data sheet of the cable; 1 A where none is given: {NO_SOURCE}",
        severity=Severity.HAZARD,
        detail=Detail.POINT,
        template="{subject} carries {figure} in each conductor of the segment{to} during a page; {limit}.",
        remedies=(Remedy.SPARE_PAIR, Remedy.MOVE_BRANCH, Remedy.SPLIT_RUN, Remedy.SECOND_SUPPLY),
        cautions=(Caution.DISCONNECT, Caution.LOCAL_CODE),
    ),
)


def _at_full_output(limit: Limit) -> Limit:
    """The limit in words for the case that zones without a recorded signal carry tones."""
    assert limit.rule is not None

    def in_tones(words: str) -> str:
        return words.replace("during a page", "during chimes or tones").replace(
            "is paged", "sounds chimes or tones"
        )

    return replace(
        limit,
        code=FULL_OUTPUT[limit.code],
        title=f"{limit.title}, full output",
        rule=replace(limit.rule, code=FULL_OUTPUT[limit.code], advice=True),
        quantity=f"{in_tones(limit.quantity)}, with full output in zones whose signal is not recorded",
        severity=Severity.ADVICE,
        template=in_tones(limit.template),
        overloaded=in_tones(limit.overloaded),
        remedies=(Remedy.CORRECT_RECORD, *limit.remedies),
        opens_findings=False,
    )


DC_LIMITS = (
    *_AT_WHAT_ZONES_CARRY,
    *(_at_full_output(limit) for limit in _AT_WHAT_ZONES_CARRY if limit.code in FULL_OUTPUT),
)
