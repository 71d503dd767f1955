"""The sentences that a ticket closes with: what each finding was and is now, what cleared it, and on which
visit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from zoneinfo import ZoneInfo

from sites.wording import by_whom, capital, counted
from zones.models import Case, Finding
from zones.plant.change_sets import ChangeSetInfo

from .clearings import ClearedBy, figure_after
from .in_words import FindingInWords
from .visits import VisitDone

MOST_FINDINGS = 20
MOST_VISITS = 5
Visits = Mapping[int, Sequence[VisitDone]]
"""By change set, those on which it was done."""
_BY = {
    ClearedBy.RECOMPUTED: "Cleared by a new formula: the record did not change.",
    ClearedBy.TIME: "Cleared without a change of the record.",
}


def closing_text(
    case: Case,
    findings: Sequence[Finding],
    words: Mapping[int, FindingInWords],
    change_sets: Mapping[int, ChangeSetInfo],
    visits: Visits,
) -> str:
    """Plain sentences. findings: those that cleared since the case last opened, the most severe first."""
    if not findings:
        return f"{_day(case)} Its findings follow from another change now, and belong to the case of that."
    return " ".join([_day(case), *_figures_and_causes(findings, words, change_sets, visits)])


def closing_text_of_finding(
    finding: Finding, words: FindingInWords, change_sets: Mapping[int, ChangeSetInfo], visits: Visits
) -> str:
    """The same of one finding; blank while it is open."""
    if finding.cleared_at is None:
        return ""
    said = _figures_and_causes([finding], {finding.pk: words}, change_sets, visits)
    return " ".join([_day(finding), *said])


def _day(cleared: Case | Finding) -> str:
    assert cleared.cleared_at is not None
    return f"Cleared on {cleared.cleared_at.astimezone(ZoneInfo(cleared.site.time_zone)).date()}."


def _figures_and_causes(
    findings: Sequence[Finding],
    words: Mapping[int, FindingInWords],
    change_sets: Mapping[int, ChangeSetInfo],
    visits: Visits,
) -> list[str]:
    said = [_finding(one, words[one.pk]) for one in findings[:MOST_FINDINGS]]
    if len(findings) > MOST_FINDINGS:
        said.append(f"{capital(counted(len(findings) - MOST_FINDINGS, 'more finding'))} cleared.")
    ids = sorted({pk for one in findings for pk in (one.clearing or {"change_sets": ()})["change_sets"]})
    said += [_change_set(change_sets[pk]) for pk in ids if pk in change_sets]
    told = {one.id: one.sentence for pk in ids for one in visits.get(pk, ())}
    said += list(told.values())[:MOST_VISITS]
    if len(told) > MOST_VISITS:
        said.append(f"And {counted(len(told) - MOST_VISITS, 'more visit')}.")
    causes = dict.fromkeys(ClearedBy(one.clearing["cause"]) for one in findings if one.clearing)
    said += [_BY[cause] for cause in causes if cause in _BY]
    if any(one.clearing is None for one in findings):
        said.append("What cleared it is not recorded.")
    return said


def _finding(finding: Finding, words: FindingInWords) -> str:
    """``Supply S1: 1.85 A, limit 1.60 A before; supply S1: 1.35 A, limit 1.60 A after.``"""
    limit, before = words.limit, finding.estimates.likely
    was = f"{limit.title}: {words.reason}" if words.reason else limit.clause(words.subject, before)
    if finding.clearing is None:
        return f"{capital(was)} before."
    after = figure_after(finding.clearing)
    if after is None:
        is_now = "computed again" if words.reason else limit.gone
    else:
        is_now = limit.clause(words.subject, after)
    return f"{capital(was)} before; {is_now} after."


def _change_set(info: ChangeSetInfo) -> str:
    """``Cleared by change set 41 on 2026-05-20 by Hallam Crew, job T-2207 (“rewired”).``"""
    job = f"job {info.job_reference}" if info.job_reference else ""
    reason = f" (“{info.reason}”)" if info.reason else ""
    who = by_whom(info.done_by, info.actor, job)
    return f"Cleared by change set {info.id} on {info.happened_on} by {who}{reason}."
