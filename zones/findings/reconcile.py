"""Findings kept in step with what is past: opened, changed, moved between cases, cleared.

What is written is a function of the conditions and of what is open already; when or how often a recheck ran
changes nothing. Only what people did to a finding (acknowledged, deferred, its outcome) and which events it
had are memories.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Final

from django.db.models import Q

from zones.electrical.estimates import DETAILS, FLAGS
from zones.electrical.verdicts import Verdict
from zones.limits.registry import limit_by_code
from zones.models import Case, Finding

from .conditions import Condition
from .withholding import is_withheld

CHANGED_FRACTION: Final = 0.05
"""A figure has changed when it moved by this fraction of its limit since it last opened or changed."""

_SAME: Final = 1e-9
_NUMBERS: Final = ("low", "likely", "high", "low_limit", "limit_value", "high_limit")
_WHOLES: Final = ("verdict", "gravity", *DETAILS, *FLAGS)
_WRITTEN: Final = [
    "case", "state", *_WHOLES, *_NUMBERS, "notified_excess", "reasons", "attribution", "recomputed",
    "changed_at", "cleared_at", "clearing", "deferred_until", "version",
]  # fmt: skip


_WRITTEN_OF_CASES: Final = [
    "quiet", "withheld", "opened_at", "first_opened_at", "cleared_at", "notified_at", "gravity", "changed_at",
    "version",
]  # fmt: skip


class What(StrEnum):
    """What happened to a finding within a case."""

    JOINED = "joined"
    WORSE = "worse"
    BETTER = "better"
    REOPENED = "reopened"
    LEFT = "left"


@dataclass(frozen=True)
class Entry:
    """One thing that happened. before: the verdict it had until now. moved_to: where it went, if it did not
    clear."""

    what: What
    finding: Finding
    before: Verdict
    moved_to: str | None = None


@dataclass
class CaseUpdate:
    """One case after a reconciliation. findings: its open ones. quiet: those of them that a first import
    alone knows of, by id."""

    case: Case
    entries: list[Entry] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    quiet: set[int] = field(default_factory=set)
    opened: bool = False
    cleared: bool = False


def reconcile(
    conditions: Sequence[Condition],
    *,
    as_of: Mapping[int, dt.date],
    now: dt.datetime,
    recomputed: Mapping[int, dt.datetime] | None = None,
    judged: Callable[[Finding], bool] = lambda _: True,
    clearing: Callable[[Finding], dict[str, Any]] | None = None,
    withholding: Collection[int] = (),
    lock: bool = False,
) -> list[CaseUpdate]:
    """Make the open findings of the sites of ``as_of`` those of ``conditions``. Returns every case concerned.

    as_of: today by site. recomputed: sites of which a new formula may have changed the figures,
    with when they were last computed: what was recorded since is a change of its own. judged: which
    of the open findings these conditions cover: of those, what is no longer a condition is cleared.
    clearing: by what a finding clears, as it is stored. withholding: sites where what is only probably past
    opens no case.

    Seven statements at most, however many sites:

    1. Read the open findings, and the cases of both.
    2. Insert new cases, so that findings can refer to them.
    3. Open, change, move and clear findings in memory; then insert and update them.
    4. Clear the cases that have none left, and open again those that have one again.

    The claim on the sites keeps other rechecks out. What a person does to a finding meanwhile is not lost: in
    a REPEATABLE READ transaction writing the same row raises, and the recheck begins again; elsewhere
    ``lock`` makes one wait for the other.
    """
    found = Finding.objects.filter(site_id__in=as_of, cleared_at__isnull=True).order_by("id")
    if lock:
        found = found.select_for_update(of=("self",))
    changes = _Changes(as_of, now, recomputed or {}, withholding)
    cases = changes.read_cases(conditions, found)
    open_findings = {(f.subject_kind, f.subject_id, f.code): f for f in found}
    kept: list[tuple[Finding, bool]] = []
    for condition in conditions:
        case = cases[condition.case.key]
        finding = open_findings.pop(condition.key, None)
        if finding is None:
            finding = changes.open(condition, case)
        else:
            changes.change(finding, condition, case)
        kept.append((finding, condition.quiet))
    for finding in open_findings.values():
        if judged(finding):
            changes.clear(finding)
            finding.clearing = clearing(finding) if clearing else None
        else:
            kept.append((finding, False))
    Finding.objects.bulk_create(changes.new)
    _update(Finding, changes.dirty, _WRITTEN)
    for finding, quiet in kept:
        update = changes.updates[finding.case_id]
        update.findings.append(finding)
        if quiet:
            update.quiet.add(finding.pk)
    changes.settle_cases()
    return [changes.updates[pk] for pk in sorted(changes.updates)]


@dataclass
class _Changes:
    """What is to be written: ``updates`` by case id, findings that are ``new``, and those that are changed
    (``dirty``)."""

    as_of: Mapping[int, dt.date]
    now: dt.datetime
    recomputed: Mapping[int, dt.datetime]
    withholding: Collection[int] = ()
    updates: dict[int, CaseUpdate] = field(default_factory=dict)
    new: list[Finding] = field(default_factory=list)
    dirty: list[Finding] = field(default_factory=list)

    def read_cases(self, conditions: Iterable[Condition], found: Iterable[Finding]) -> dict[str, Case]:
        wanted = {condition.case.key: condition for condition in conditions}
        cases = {
            case.key: case
            for case in Case.objects.filter(Q(key__in=wanted) | Q(pk__in={f.case_id for f in found}))
        }
        missing = [
            Case(
                site_id=condition.case.site_id,
                key=key,
                change_set_id=condition.case.change_set_id,
                opened_at=self.now,
                first_opened_at=self.now,
            )
            for key, condition in sorted(wanted.items())
            if key not in cases
        ]
        for case in Case.objects.bulk_create(missing):
            cases[case.key] = case
            self.updates[case.pk] = CaseUpdate(case, opened=True)
        for case in cases.values():
            self.updates.setdefault(case.pk, CaseUpdate(case))
        return cases

    def _note(
        self, case_id: int, what: What, finding: Finding, before: int, moved_to: str | None = None
    ) -> None:
        self.updates[case_id].entries.append(Entry(what, finding, Verdict(before), moved_to))

    def _is_recomputed(self, condition: Condition) -> bool:
        """Whether a new formula may have brought it about, and nothing recorded since the old one did."""
        checked_at = self.recomputed.get(condition.case.site_id)
        return checked_at is not None and not (condition.caused_at and condition.caused_at > checked_at)

    # --- findings -----------------------------------------------------------------------------------------

    def open(self, condition: Condition, case: Case) -> Finding:
        finding = Finding(
            site_id=condition.case.site_id,
            case=case,
            code=condition.code,
            subject_kind=condition.subject_kind,
            subject_id=condition.subject_id,
            state=Finding.State.OPEN,
            notified_excess=_excess(condition),
            opened_at=self.now,
            changed_at=self.now,
            recomputed=self._is_recomputed(condition),
            **_values(condition),
        )
        self.new.append(finding)
        self._note(case.pk, What.JOINED, finding, Verdict.WITHIN)
        return finding

    def change(self, finding: Finding, condition: Condition, case: Case) -> None:
        before = finding.verdict
        changed = finding.case_id != case.pk
        if changed:  # a correction revised its cause
            self._note(finding.case_id, What.LEFT, finding, before, moved_to=case.key)
            finding.case = case
            finding.recomputed = self._is_recomputed(condition)
            finding.notified_excess = _excess(condition)
            self._note(case.pk, What.JOINED, finding, before)
        what = _worse_or_better(finding, condition)
        if what is not None:
            self._note(case.pk, what, finding, before)
            finding.notified_excess = _excess(condition)
            finding.recomputed = self._is_recomputed(condition)
            changed = True
        if finding.deferred_until is not None and finding.deferred_until <= self.as_of[finding.site_id]:
            finding.state, finding.deferred_until = Finding.State.OPEN, None
            self._note(case.pk, What.REOPENED, finding, before)
            changed = True
        values = _values(condition)
        attribution_changed = (
            finding.attribution != values["attribution"] or finding.reasons != values["reasons"]
        )
        if changed or attribution_changed:
            finding.version += 1
        if changed:
            finding.changed_at = self.now
        if changed or attribution_changed or _differs(finding, values):
            for name, value in values.items():
                setattr(finding, name, value)
            self.dirty.append(finding)

    def clear(self, finding: Finding) -> None:
        """The outcome that a person gave it, and the state reason, stay."""
        self._note(finding.case_id, What.LEFT, finding, finding.verdict)
        finding.state = Finding.State.CLEARED
        finding.cleared_at = finding.changed_at = self.now
        finding.deferred_until = None
        finding.recomputed = finding.site_id in self.recomputed
        finding.version += 1
        self.dirty.append(finding)

    # --- cases --------------------------------------------------------------------------------------------

    def settle_cases(self) -> None:
        dirty = []
        for update in self.updates.values():
            case, stands = update.case, bool(update.findings)
            was_open = case.cleared_at is None and not update.opened
            if stands and not was_open:
                update.opened = True
                by_formula = all(finding.recomputed for finding in update.findings)
                case.quiet = by_formula or len(update.quiet) == len(update.findings)
                # one of a release that did not keep it opened then for the first time, as far as is known
                if not case.withheld:
                    case.first_opened_at = case.first_opened_at or case.opened_at
                case.cleared_at, case.opened_at, case.notified_at = None, self.now, None
            elif was_open and not stands:
                update.cleared = True
                case.cleared_at = self.now
            gravity = _gravity_of(case, update.findings)
            changed = self._withhold(update) or bool(update.entries or update.opened or update.cleared)
            if changed:
                case.version += 1
                case.changed_at = self.now
            if changed or gravity != case.gravity:
                case.gravity = gravity
                dirty.append(case)
        _update(Case, dirty, _WRITTEN_OF_CASES)

    def _withhold(self, update: CaseUpdate) -> bool:
        """Withhold a case, or open one that was withheld, now. Returns whether either is news. A case that
        cleared stays what it was."""
        case, was_withheld = update.case, update.case.withheld
        if not update.findings:
            return False
        withholds = case.site_id in self.withholding
        case.withheld = is_withheld(case, update.findings, site_withholds=withholds)
        if was_withheld and not case.withheld:
            case.opened_at = self.now
            case.first_opened_at = case.first_opened_at or self.now
        elif case.withheld and case.first_opened_at == case.opened_at == self.now:
            case.first_opened_at = None  # what is withheld from its beginning has not opened yet
        return case.withheld != was_withheld


def _gravity_of(case: Case, findings: Sequence[Finding]) -> int:
    """Ten times the greatest severity, and the worst verdict; a cleared case keeps its severity."""
    if not findings:
        return 10 * (case.gravity // 10)
    severity = max(limit_by_code(finding.code).severity for finding in findings)
    return 10 * severity + max(finding.verdict for finding in findings)


def _values(condition: Condition) -> dict[str, Any]:
    """The columns of a finding that its condition gives."""
    estimates = condition.estimates
    return {
        "verdict": int(condition.verdict),
        "gravity": 10 * limit_by_code(condition.code).severity + condition.verdict,
        "reasons": list(condition.reasons),
        "attribution": condition.attribution,
        "overloaded": sum(one.overloaded << which for which, one in enumerate(estimates)),
        "bounds": sum(one.bound << which for which, one in enumerate(estimates)),
        **dict(zip(DETAILS, (one.detail for one in estimates), strict=True)),
        **dict(zip(_NUMBERS, (*(e.value for e in estimates), *(e.limit for e in estimates)), strict=True)),
    }


def _differs(finding: Finding, values: Mapping[str, Any]) -> bool:
    """More than the last bits of a sum."""
    if any(getattr(finding, name) != values[name] for name in _WHOLES):
        return True
    for name in _NUMBERS:
        old, new = getattr(finding, name), values[name]
        if (old is None) != (new is None):
            return True
        if old is not None and not math.isclose(old, new, rel_tol=_SAME, abs_tol=1e-12):
            return True
    return False


def _excess(condition: Condition) -> float | None:
    """Likely figure less limit; without end where there is no stable solution."""
    likely = condition.estimates.likely
    if likely.overloaded:
        return -math.inf if _at_least(condition) else math.inf
    return None if likely.value is None or likely.limit is None else likely.value - likely.limit


def _at_least(condition: Condition) -> bool:
    rule = limit_by_code(condition.code).rule
    return rule is not None and rule.at_least


def _worse_or_better(finding: Finding, condition: Condition) -> What | None:
    """Another verdict, or 5 % of the limit (of a limit of 0: anything) since it last opened or changed."""
    if condition.verdict != finding.verdict:
        return What.WORSE if condition.verdict > finding.verdict else What.BETTER
    excess, limit = _excess(condition), condition.estimates.likely.limit
    if excess is None or finding.notified_excess in (None, excess):
        return None
    moved = excess - finding.notified_excess
    if abs(moved) < max(CHANGED_FRACTION * abs(limit or 0.0) * (1 - _SAME), 1e-9):
        return None
    return What.WORSE if (moved < 0) == _at_least(condition) else What.BETTER


def _update(model: Any, rows: Sequence[Any], names: Sequence[str]) -> None:
    """Write some columns of rows that are there, in one statement: an upsert, since a CASE for every column
    and row is slow to plan."""
    if rows:
        model._default_manager.bulk_create(
            rows, update_conflicts=True, unique_fields=["id"], update_fields=list(names)
        )
