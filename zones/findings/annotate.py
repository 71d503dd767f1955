"""Findings as a person reads them: what each is about, where that stands, which zones it bears on, which
change made it, and the cautions there. As many queries for a page of findings as for one; zones and cautions
are read when they are first asked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cached_property
from zoneinfo import ZoneInfo

from django.utils import timezone

from sites.changes.steps import first_step_after
from zones.electrical.subjects import Subject
from zones.hazards import Hazards
from zones.limits.cautions import CautionHere
from zones.limits.limit import Detail
from zones.limits.record import why_not_computed
from zones.limits.registry import limit_by_code
from zones.models import Finding
from zones.plant.change_sets import look_up
from zones.recheck.selectors import ZoneConcerned, zones_of
from zones.subjects import NOWHERE, Names

from . import wording
from .closing import Visits, closing_text_of_finding
from .in_words import FindingInWords
from .named_changes import Attribution
from .visits import visits_behind


def annotate(findings: Sequence[Finding]) -> dict[int, FindingInWords]:
    """By id, findings in words as of today; their sites must be there with them."""
    return Annotated(findings).words if findings else {}


class Annotated:
    """Some findings in words, by id, with the zones and the closets that they concern."""

    def __init__(
        self,
        findings: Sequence[Finding],
        before: Mapping[int, int] | None = None,
        names: Names | None = None,
    ) -> None:
        """before: by site, the step before which lies all that holds; left out: after today. names: where
        other parts of an answer ask for theirs too."""
        self._findings = findings
        self._before = before
        named = [f.attribution["change_sets"] for f in findings]
        named += [f.clearing["change_sets"] for f in findings if f.clearing]
        self.change_sets = look_up((), {pk for ids in named for pk in ids}).by_id
        self._attributions = {f.pk: Attribution.of_record(f.attribution, self.change_sets) for f in findings}
        self._names = names or Names()
        self._names.ask(
            (f.subject for f in findings),
            ((limit_by_code(f.code).detail, one.detail) for f in findings for one in f.estimates),
            (reference for one in self._attributions.values() if one for reference in one.references()),
        )

    @cached_property
    def words(self) -> dict[int, FindingInWords]:
        return {f.pk: self._in_words(f) for f in self._findings}

    @cached_property
    def hazards(self) -> Hazards:
        """Of the closets that they stand in."""
        closets = {self._names.closet_of(f.subject) for f in self._findings}
        return Hazards({pk for pk in closets if pk is not None}, self._before or _after_today(self._findings))

    @cached_property
    def _zones(self) -> Mapping[Subject, tuple[ZoneConcerned, ...]]:
        return zones_of({f.subject for f in self._findings})

    def zones(self, finding: Finding) -> tuple[ZoneConcerned, ...]:
        """The zones that its subject bears on today."""
        return self._zones.get(finding.subject, ())

    def cautions(self, finding: Finding) -> tuple[CautionHere, ...]:
        """Those that matter where it stands."""
        words = self.words[finding.pk]
        return self.hazards.cautions(
            finding.site, [words.closet_id], zones=self.zones(finding), limits=words.limit.cautions
        )

    @cached_property
    def visits(self) -> Visits:
        """Those on which the findings that cleared were cleared."""
        return visits_behind({pk for f in self._findings if f.clearing for pk in f.clearing["change_sets"]})

    def closing_text(self, finding: Finding) -> str:
        """What it closed by, in sentences; blank while it is open."""
        return closing_text_of_finding(finding, self.words[finding.pk], self.change_sets, self.visits)

    def _in_words(self, finding: Finding) -> FindingInWords:
        limit, names = limit_by_code(finding.code).shown_in(finding.site.length_unit), self._names
        subject, closet_id = names.of(finding.subject), names.closet_of(finding.subject)
        places = names.places(limit.detail, finding.estimates)
        shown = NOWHERE if limit.detail is Detail.DUE_TEST else places
        sentence = limit.sentence(subject=subject, estimates=finding.estimates, places=places)
        reason = why_not_computed(finding.reasons)
        return FindingInWords(
            limit=limit,
            title=wording.title(finding.site.code, limit, subject, finding.estimates.likely),
            subject=subject,
            place=shown.likely,
            places=shown,
            closet_id=closet_id,
            sentence=f"{sentence.removesuffix('.')}: {reason}." if reason else sentence,
            reason=reason,
            attribution=wording.as_shown(
                finding.attribution, self._attributions[finding.pk], limit, subject, names.texts
            ),
        )


def _after_today(findings: Sequence[Finding]) -> dict[int, int]:
    now = timezone.now()
    zones = {f.site_id: f.site.time_zone for f in findings}
    return {pk: first_step_after(now.astimezone(ZoneInfo(zone)).date()) for pk, zone in zones.items()}
