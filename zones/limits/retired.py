"""Limits that are no longer judged. Their findings are cleared and stay readable."""

from __future__ import annotations

from zones.electrical.subjects import SubjectKind
from zones.limits.cautions import Caution
from zones.limits.limit import Limit, Remedy, Severity

RETIRED_LIMITS = (
    # until 0.2.0; wiring_class judges the marking and the cable instead
    Limit(
        code="class_2_power",
        title="Class 2 power",
        rule=None,
        subject_kind=SubjectKind.SUPPLY,
        quantity="power that a supply not marked Class 2 can deliver",
        unit="VA",
        limit_from="100 VA at up to 30 V",
        source="NEC Chapter 9 Table 11 (from memory)",
        severity=Severity.HAZARD,
        template="{subject} can deliver {figure} and is not recorded as marked Class 2; Class 2 {limit}.",
        remedies=(Remedy.CORRECT_RECORD,),
        cautions=(Caution.LOCAL_CODE, Caution.WIRING_CLASSES),
    ),
)
