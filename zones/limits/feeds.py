"""Limits of what feeds self-amplified runs."""

from __future__ import annotations

from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Rule
from zones.limits.cautions import Caution
from zones.limits.limit import NO_SOURCE, Detail, Limit, Remedy, Severity

FEED_LIMITS = (
    Limit(
        code="no_feed",
        title="Speakers without a feed",
        rule=Rule("no_feed", near_margin=0),
        subject_kind=SubjectKind.RUN,
        quantity="speakers behind a cut negative that no supply feeds",
        limit_from="none",
        source="a self-amplified speaker without a supply is silent: by definition",
        severity=Severity.SILENCE,
        detail=Detail.POINT,
        template="{subject} has {figure} that no supply feeds{first}: the negative before is cut.",
        noun="speaker",
        past="{figure} of {subject} without a feed",
        in_order="every speaker of {subject} fed",
        remedies=(Remedy.SECOND_SUPPLY, Remedy.REWIRE, Remedy.CORRECT_RECORD),
        cautions=(Caution.DISCONNECT,),
    ),
    Limit(
        code="supplies_paralleled",
        title="Supplies paralleled",
        rule=Rule("supplies_paralleled", near_margin=0),
        subject_kind=SubjectKind.RUN,
        quantity="feeds that meet on one section of the run",
        limit_from="one feed a section: the negative is cut between two supplies",
        source=f"supplies share a load only where their data sheets say so: {NO_SOURCE}",
        severity=Severity.HAZARD,
        detail=Detail.POINT,
        template="{subject} has {figure} on one section{first}; {allowed} allowed. Cut the negative between "
        "them: the current of each cannot be computed.",
        noun="feed",
        past="{figure} on one section of {subject}, {allowed} allowed",
        in_order="one feed on each section of {subject}",
        remedies=(Remedy.REWIRE, Remedy.CORRECT_RECORD),
        cautions=(Caution.DISCONNECT, Caution.LOCAL_CODE),
    ),
    Limit(
        code="supply_over_voltage",
        title="Supply over-voltage",
        rule=Rule("supply_over_voltage"),
        subject_kind=SubjectKind.SUPPLY,
        quantity="highest voltage of the supply: the top of its tolerance without load, or its float charge",
        unit="V",
        decimals=1,
        limit_from="lowest maximum voltage of the speakers that it feeds, where their models state one",
        source="data sheets of the supply and the speaker",
        severity=Severity.HAZARD,
        detail=Detail.POINT,
        template="{subject} delivers up to {figure}; {limit} by the speaker{at}.",
        remedies=(Remedy.MOVE_BRANCH, Remedy.CORRECT_RECORD),
        cautions=(Caution.DISCONNECT,),
    ),
)
