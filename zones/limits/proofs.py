"""Whether a run was proven before its device went into service, and whether its next test is in time."""

from __future__ import annotations

from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Rule
from zones.limits.limit import NO_SOURCE, Detail, Limit, Remedy, Severity

PROOF_LIMITS = (
    Limit(
        code="in_service_unproven",
        title="In service unproven",
        rule=Rule("in_service_unproven", near_margin=0),
        subject_kind=SubjectKind.RUN,
        quantity="1 where the device that feeds the run is in service, and continuity, shorts, polarity or "
        "tone trace did not pass since its wiring last changed; the survey of a site taken over stands for "
        "them",
        limit_from="none; not for a device that was recorded in service before proofs were kept",
        source=f"{NO_SOURCE}: test every connection before the gateway is patched to the network",
        severity=Severity.SILENCE,
        template="{subject} is in service and not proven: continuity, shorts, polarity and tone trace have "
        "to pass.",
        past="{subject} in service and not proven",
        in_order="{subject} proven",
        gone="not in service any more",
        remedies=(Remedy.TEST, Remedy.CORRECT_RECORD),
    ),
    Limit(
        code="test_overdue",
        title="Test overdue",
        rule=Rule("test_overdue", near_margin=0),
        subject_kind=SubjectKind.RUN,
        quantity="1 from the day after a test of the run was due: the contract's interval counts from its "
        "last complete proof (without one: from its first day), but from no day before the site was taken "
        "over or before proofs were kept",
        limit_from="test interval of the contract; without one no test is due",
        source=f"{NO_SOURCE}; as agreed in the contract",
        severity=Severity.SOUND_SUFFERS,
        detail=Detail.DUE_TEST,
        template="{subject} {which}.",
        past="test of {subject} overdue",
        in_order="no test of {subject} overdue",
        gone="tested, or no longer due",
        remedies=(Remedy.TEST,),
    ),
)
