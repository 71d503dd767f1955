"""Limits of feeds and blocks, and advice, as findings."""

from __future__ import annotations

import datetime as dt

from tests.zones.findings.conftest import ADDED, NOW, Quay
from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Verdict
from zones.findings.annotate import annotate
from zones.findings.in_words import FindingInWords
from zones.models import ClipFacts, Finding, Landing

LATER = NOW + dt.timedelta(hours=1)
DAY = dt.timedelta(days=1)


def words_of(finding: Finding) -> FindingInWords:
    return annotate([finding])[finding.pk]


def test_two_supplies_on_one_section_are_a_finding_and_name_the_change(quay: Quay) -> None:
    with quay.record.change(ADDED) as made:
        other = quay.record.supply(quay.supply_model, "S2")
        last = quay.points[-1]
        quay.record.point_facts(last, parent=quay.points[-2], feed_supply=other, **quay.facts)
    quay.check()
    finding = quay.finding("supplies_paralleled")
    assert (finding.subject_kind, finding.subject_id) == (SubjectKind.RUN, quay.run.pk)
    assert (finding.verdict, finding.likely, finding.limit_value) == (Verdict.PAST, 2.0, 1.0)
    assert words_of(finding).sentence == (
        f"Run R1 has 2 feeds on one section, first {last.name}; 1 allowed. Cut the negative between them: "
        "the current of each cannot be computed."
    )
    assert finding.attribution["change_sets"] == [made.pk]
    assert quay.kinds() == ["case.opened"]
    with quay.record.change(ADDED + DAY):
        quay.record.point_facts(last, parent=quay.points[-2], **quay.facts)
    quay.check(LATER)
    assert quay.finding("supplies_paralleled").state == "cleared"


def test_speakers_without_a_feed_are_a_finding_and_name_the_change(quay: Quay) -> None:
    """The last eight of 27 speakers are cut off one day, and their new supply is removed again later."""
    twentieth = quay.points[19]
    with quay.record.change(ADDED):
        other = quay.record.supply(quay.supply_model, "S2")
        quay.record.point_facts(
            twentieth, parent=quay.points[18], negative_cut=True, feed_supply=other, **quay.facts
        )
    quay.check()
    assert quay.findings("no_feed") == []
    with quay.record.change(ADDED + DAY) as taken:
        quay.record.point_facts(twentieth, parent=quay.points[18], negative_cut=True, **quay.facts)
    quay.check(LATER)
    finding = quay.finding("no_feed")
    assert (finding.subject_kind, finding.subject_id) == (SubjectKind.RUN, quay.run.pk)
    assert (finding.verdict, finding.likely, finding.limit_value) == (Verdict.PAST, 8.0, 0.0)
    assert words_of(finding).sentence == (
        f"Run R1 has 8 speakers that no supply feeds, first {twentieth.name}: the negative before is cut."
    )
    assert finding.attribution["change_sets"] == [taken.pk]


def test_advice_is_a_finding_of_its_own_without_event(quay: Quay) -> None:
    with quay.record.change(ADDED):
        quay.record.zone("Gangway")
        for row, carries in ((1, "audio_positive"), (2, "dc_negative")):
            quay.record.make(
                Landing, block=quay.record.block, row=row, side="field", run=quay.run, pair=row,
                conductor="first", carries=carries,
            )  # fmt: skip
    quay.check()
    assert quay.finding("audio_with_dc").state == "open"
    assert quay.kinds() == []


def test_a_clip_left_out_is_a_finding_that_names_who_pulled_it(quay: Quay) -> None:
    record = quay.record
    with record.change(ADDED):
        supply = record.supply(name="PS 2")
        for side, of in (("equipment", {"supply": supply}), ("field", {"run": quay.run})):
            record.make(
                Landing, block=record.block, row=4, side=side, pair=2, conductor="first",
                carries="dc_positive", **of,
            )  # fmt: skip
    with record.change(ADDED + DAY) as pulled:
        record.make(ClipFacts, block=record.block, row=4, is_in=False)
    quay.check(LATER)
    finding = quay.finding("clip_out")
    assert (finding.state, finding.detail) == ("open", 4)
    assert finding.attribution["change_sets"] == [pulled.pk]
    assert "1 clip pulled" in words_of(finding).attribution["sentence"]
    with record.change(ADDED + 2 * DAY):
        record.make(ClipFacts, block=record.block, row=4, is_in=True)
    quay.check(LATER + DAY)
    assert quay.finding("clip_out").state == "cleared"
