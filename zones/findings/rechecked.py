"""What findings do when a site was recomputed, or could not be. Registered when the service starts."""

from __future__ import annotations

import datetime as dt
from typing import Final
from zoneinfo import ZoneInfo

from django.db import connection

from sites.changes.signals import change_set_accepted, change_set_withdrawn
from sites.models import Site
from zones.electrical.evaluate import SOLVER_VERSION
from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Verdict
from zones.models import Finding
from zones.recheck.checked import Checked, Due, on_checked, on_due, on_failed
from zones.recheck.sweep import on_sweep

from .catalogue_news import tell_catalogue_news
from .clearings import Clearings
from .conditions import Condition, conditions_of, in_service_from, unattributed_key
from .events import notify, notify_accepted, notify_withdrawn
from .named_changes import unattributed
from .reconcile import reconcile
from .tests_outside import tests_checked
from .timeline import CANNOT_COMPUTE
from .withholding import sites_withholding

DEFERRAL_ENDS = "deferral ends"
CONTRACT_BEGINS = "contract begins"
CONTRACT_ENDS = "contract ends"
GOES_INTO_SERVICE = "site goes into service"


def findings_checked(checked: Checked) -> None:
    """Open, change, move and clear findings, and notify, in the recheck's transaction."""
    as_of = dict(zip(checked.site_id, checked.as_of, strict=True))
    before = zip(checked.site_id, checked.solver_before, checked.checked_before, strict=True)
    recomputed = {
        site_id: checked_at
        for site_id, solver, checked_at in before
        if solver is not None and solver < SOLVER_VERSION and checked_at is not None
    }
    updates = reconcile(
        conditions_of(checked),
        as_of=as_of,
        now=checked.now,
        recomputed=recomputed,
        clearing=Clearings(checked, set(recomputed)).of,
        withholding=sites_withholding(as_of),
    )
    notify(updates, as_of=as_of, now=checked.now, silent=recomputed, unfinished=set(in_service_from(checked)))
    tests_checked(checked, silent=recomputed)


def findings_failed(site_id: int, reason: str, now: dt.datetime) -> None:
    """A site that cannot be computed at all is a finding of its own; other open findings there stay."""
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
        reasons=[reason],
        attribution=unattributed(),
    )
    updates = reconcile(
        [condition],
        as_of=as_of,
        now=now,
        judged=_is_of_a_whole_site,
        withholding=sites_withholding(as_of),
        lock=True,
    )
    notify(updates, as_of=as_of, now=now, taking_over=False)


_DUE: Final = """
WITH asked AS (SELECT * FROM unnest(%(sites)s::bigint[], %(days)s::date[]) AS asked (site_id, day)),
covered AS (SELECT site_id, day, days FROM coverage JOIN asked USING (site_id))
SELECT site_id, deferred_until, %(deferral_ends)s FROM finding
WHERE site_id = ANY(%(sites)s::bigint[]) AND state = %(deferred)s AND deferred_until IS NOT NULL
UNION ALL SELECT site_id, lower(days), %(begins)s FROM covered WHERE lower(days) > day
UNION ALL SELECT site_id, upper(days), %(ends)s FROM covered WHERE upper(days) > day
"""


def findings_due(checked: Checked) -> list[Due]:
    """The days on which time alone changes a finding, its case or its events."""
    with connection.cursor() as cursor:
        cursor.execute(
            _DUE,
            {
                "sites": list(checked.site_id),
                "days": list(checked.as_of),
                "deferred": Finding.State.DEFERRED,
                "deferral_ends": DEFERRAL_ENDS,
                "begins": CONTRACT_BEGINS,
                "ends": CONTRACT_ENDS,
            },
        )
        due = [Due(*row) for row in cursor.fetchall()]
    begin = in_service_from(checked).items()
    return [*[Due(site_id, day, GOES_INTO_SERVICE) for site_id, day in begin], *due]


def register() -> None:
    """Called once, when the service starts."""
    on_checked(findings_checked)
    on_failed(findings_failed)
    on_due(findings_due)
    on_sweep(tell_catalogue_news)
    change_set_accepted.connect(notify_accepted)
    change_set_withdrawn.connect(notify_withdrawn)


def _is_of_a_whole_site(finding: Finding) -> bool:
    return finding.subject_kind == SubjectKind.SITE and finding.code == CANNOT_COMPUTE
