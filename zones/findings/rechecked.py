"""What findings do when a site was recomputed, or could not be. Registered when the service starts."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

from sites.changes.listeners import on_accepted
from sites.models import Coverage, Site
from zones.electrical.evaluate import SOLVER_VERSION
from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Verdict
from zones.recheck.checked import Checked, Due, on_checked, on_due, on_failed

from . import wording
from .cases import unattributed_key
from .conditions import Condition, conditions_of
from .events import tell, tell_accepted
from .models import Finding
from .reconcile import reconcile
from .timeline import CANNOT_COMPUTE

DEFERRAL_ENDS = "deferral ends"
CONTRACT_BEGINS = "contract begins"


def findings_checked(checked: Checked) -> None:
    """Open, change, move and clear findings, and tell of it, in the recheck's transaction."""
    as_of = dict(zip(checked.site_id, checked.as_of, strict=True))
    recomputed = {
        site_id
        for site_id, solver in zip(checked.site_id, checked.solver_before, strict=True)
        if solver is not None and solver < SOLVER_VERSION
    }
    updates = reconcile(conditions_of(checked), as_of=as_of, now=checked.now, recomputed=recomputed)
    tell(updates, as_of=as_of, now=checked.now, silent=recomputed)


def findings_failed(site_id: int, reason: str, now: dt.datetime) -> None:
    """A site that cannot be computed at all is a finding of its own; whatever else is open there stays."""
    site = Site.objects.filter(pk=site_id).first()
    if site is None:
        return
    as_of = {site_id: now.astimezone(ZoneInfo(site.time_zone)).date()}
    condition = Condition(
        case=unattributed_key(site_id),
        code=CANNOT_COMPUTE,
        subject_kind=SubjectKind.SITE,
        subject_id=site_id,
        verdict=Verdict.CANNOT_TELL,
        reason=reason,
        attribution=wording.unattributed(f"{site.name} could not be computed: {reason}"),
    )
    updates = reconcile([condition], as_of=as_of, now=now, judged=_is_of_a_whole_site, lock=True)
    tell(updates, as_of=as_of, now=now, taking_over=False)


def findings_due(checked: Checked) -> list[Due]:
    """The days on which time alone changes a finding, or who is told of it."""
    as_of = dict(zip(checked.site_id, checked.as_of, strict=True))
    deferred = Finding.objects.filter(site_id__in=as_of, state=Finding.State.DEFERRED)
    due = [
        Due(site_id, until, DEFERRAL_ENDS)
        for site_id, until in deferred.values_list("site_id", "deferred_until")
        if until is not None
    ]
    later = Coverage.objects.filter(
        site_id__in=as_of, days__startswith__gt=min(as_of.values(), default=dt.date.max)
    )
    due += [
        Due(site_id, begins, CONTRACT_BEGINS)
        for site_id, begins in later.values_list("site_id", "days__startswith")
        if begins > as_of[site_id]
    ]
    return due


def register() -> None:
    """Called once, when the service starts."""
    on_checked(findings_checked)
    on_failed(findings_failed)
    on_due(findings_due)
    on_accepted(tell_accepted)


def _is_of_a_whole_site(finding: Finding) -> bool:
    return finding.subject_kind == SubjectKind.SITE and finding.code == CANNOT_COMPUTE
