"""What is paged to a zone is dated: chimes that come later count from then on, and are named.

A 2 A supply (limit 0.8 × 2 = 1.60 A) feeds 27 wall speakers, measured, of 0.05 A at speech: 1.35 A. Their
data sheet states no full output, so tones are twice of it: 2.70 A.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.db import IntegrityError, connection

from sites.changes.errors import ChangeRefused
from sites.changes.services import change_accept
from tests.factories import INTEGRATOR, change
from tests.zones.findings.conftest import ADDED, BUILT, NOW, Quay
from tests.zones.findings.stories import SUPPLY_CURRENT, Story
from zones.electrical.plant import Signal
from zones.electrical.verdicts import Rule, Verdict
from zones.findings.annotate import Annotated
from zones.findings.changes_at_step import Reference
from zones.loads.site_loads import site_loads
from zones.models import ZoneFacts
from zones.recheck.batch import check
from zones.services.zones import zone_alter, zone_correct, zone_end

DAY = dt.timedelta(days=1)
LATER = ADDED + 10 * DAY
SPEECH, TONES, UNKNOWN = ZoneFacts.Signal.SPEECH, ZoneFacts.Signal.TONES, ZoneFacts.Signal.UNKNOWN


@pytest.fixture
def spoken(quay: Quay) -> Quay:
    """Commissioned with speech."""
    zone_alter(change(quay.record.site, happened_on=BUILT), zone=quay.zone, signal=SPEECH)
    return quay


def page(quay: Quay, signal: str, day: dt.date = ADDED, **said: Any) -> int:
    """Page the zone otherwise from a day on. Returns the change set."""
    made = zone_alter(
        change(quay.record.site, happened_on=day, job_reference="LS-2207", **said),
        zone=quay.zone,
        signal=ZoneFacts.Signal(signal),
    )
    return made.change_set.pk


def correct(quay: Quay, signal: str, held_on: dt.date | None = None) -> int:
    asked = change(quay.record.site, happened_on=LATER, reason="asked on site")
    given = {"zone": quay.zone, "signal": ZoneFacts.Signal(signal), "held_on": held_on}
    return zone_correct(asked, **given).change_set.pk


def supply_current(quay: Quay, day: dt.date) -> tuple[Any, ...]:
    (load,) = [one for one in site_loads(quay.site_id, day).loads if one.code == "supply_current"]
    assert load.likely is not None
    return load.likely, load.verdict


def sentence(quay: Quay) -> str:
    finding = quay.finding()
    said: str = Annotated([finding], {quay.site_id: 1 << 60}).words[finding.pk].attribution["sentence"]
    return said


def named(quay: Quay) -> tuple[str, int | None, int | None]:
    """The cause of the finding, and the ids of the change set and of the correction that are named."""
    attribution: dict[str, Any] = quay.finding().attribution
    return attribution["kind"], attribution["change"]["change_set"], attribution["change"]["correction"]


def test_chimes_that_come_later_are_named_from_their_day_on(spoken: Quay) -> None:
    chimes = page(spoken, TONES, done_by="Hallam Crew")
    assert supply_current(spoken, ADDED - DAY) == (pytest.approx(1.35), Verdict.WITHIN)
    assert supply_current(spoken, ADDED) == (pytest.approx(2.70), Verdict.PAST)
    spoken.check()
    assert spoken.finding().likely == pytest.approx(2.70)
    assert named(spoken) == ("alteration", chimes, None)
    assert spoken.cases() == {f"change-set-{chimes}": True}
    assert (
        f"Signal of zone Ticket hall changed from speech to tones on {ADDED} by Hallam Crew, job LS-2207, "
        f"recorded by {INTEGRATOR}: supply S1 went from 1.35 A to 2.70 A; limit 1.60 A"
    ) in sentence(spoken)


def test_chimes_that_are_taken_out_again_clear_it(spoken: Quay) -> None:
    page(spoken, TONES)
    spoken.check()
    page(spoken, SPEECH, LATER)
    assert supply_current(spoken, LATER - DAY)[0] == pytest.approx(2.70)
    assert supply_current(spoken, LATER)[0] == pytest.approx(1.35)
    spoken.check()
    assert spoken.finding().cleared_at is not None


def test_what_was_paged_all_along_is_as_found(spoken: Quay) -> None:
    correction = correct(spoken, TONES)
    assert supply_current(spoken, BUILT) == (pytest.approx(2.70), Verdict.PAST)
    spoken.check()
    assert named(spoken)[::2] == ("as_found", correction)
    assert (
        f"As found on the first day, {BUILT}: supply S1 at 2.70 A; limit 1.60 A; known since "
        f"signals of zones were corrected on {LATER} by {INTEGRATOR} (“asked on site”)"
    ) in sentence(spoken)


def test_a_correction_of_what_was_recorded_at_a_change_is_known_since(spoken: Quay) -> None:
    """A bell panel was connected, and nobody knew what it plays: that counts as speech."""
    panel = page(spoken, UNKNOWN)
    assert supply_current(spoken, ADDED) == (pytest.approx(1.35), Verdict.WITHIN)
    correction = correct(spoken, TONES, held_on=ADDED)
    assert supply_current(spoken, ADDED - DAY)[0] == pytest.approx(1.35)
    assert supply_current(spoken, ADDED)[0] == pytest.approx(2.70)
    spoken.check()
    assert named(spoken) == ("correction", panel, correction)
    assert (
        f"Signal of zone Ticket hall changed from speech to tones on {ADDED} by {INTEGRATOR}, job LS-2207, "
        f"known since signals of zones were corrected on {LATER} by {INTEGRATOR}"
    ) in sentence(spoken)


def test_speakers_that_were_added_under_chimes_are_named_and_a_correction_to_speech_clears_them(
    quay: Quay,
) -> None:
    """Fifteen of the 27 stand from the start, at full output 15 × 0.1 = 1.50 A; two more make 1.70 A."""
    quay.remove(quay.points[15:], BUILT)
    zone_alter(change(quay.record.site, happened_on=BUILT), zone=quay.zone, signal=TONES)
    assert supply_current(quay, BUILT)[0] == pytest.approx(1.50)
    added, _ = quay.add(2, current_a=0.05)
    quay.check()
    assert named(quay) == ("addition", added.pk, None)
    correct(quay, SPEECH)  # 17 × 0.05 = 0.85 A
    quay.check()
    assert quay.finding().cleared_at is not None


def test_a_signal_is_no_cause_for_the_run_of_another_zone(spoken: Quay) -> None:
    """A fuse of 1 A (0.8 A) on a run of another zone: 20 × 0.05 = 1.0 A, past since it was pulled."""
    with spoken.record.change(BUILT):
        gangway = spoken.record.zone("Gangway", SPEECH)
        supply = spoken.record.supply(spoken.supply_model, "S2")
    with spoken.record.change(ADDED):
        fuse: dict[str, Any] = {"fuse_fitted": True, "fuse_rating_a": 1.0}
        other = spoken.record.run("R2", supply=supply, zone=gangway, **fuse)
        spoken.record.chain(other, 20, **spoken.facts)
        spoken.record.make(ZoneFacts, zone=spoken.zone, signal=TONES)
    spoken.check()
    (changes,) = [finding.attribution["change"]["changes"] for finding in spoken.findings("run_current")]
    assert [one["type"] for one in changes] == ["device_added"]
    (changes,) = [finding.attribution["change"]["changes"] for finding in spoken.findings("supply_current")]
    assert [one["type"] for one in changes] == ["zone_signal"]


def test_rows_of_sql_are_named_like_any_other_change(spoken: Quay) -> None:
    with spoken.record.change(ADDED) as change_set, connection.cursor() as cursor:
        cursor.execute(
            "INSERT INTO zone_facts (site_id, zone_id, signal) VALUES (%s, %s, 'tones')",
            [spoken.site_id, spoken.zone.pk],
        )
    check([spoken.site_id], now=NOW)  # the row itself has marked the site
    assert named(spoken) == ("alteration", change_set.pk, None)


def test_the_database_holds_a_signal_to_its_zone(spoken: Quay) -> None:
    def insert(signal: str, zone: int) -> None:
        with spoken.record.change(ADDED), connection.cursor() as cursor:
            cursor.execute(
                "INSERT INTO zone_facts (site_id, zone_id, signal) VALUES (%s, %s, %s)",
                [spoken.site_id, zone, signal],
            )

    with pytest.raises(IntegrityError, match="zone_facts_signal_check"):
        insert("bells", spoken.zone.pk)
    elsewhere = Quay()
    with pytest.raises(IntegrityError, match="zone_facts_zone_of_its_site"):
        insert("tones", elsewhere.zone.pk)
    with spoken.record.change(LATER):
        late = spoken.record.zone("Kiosk", SPEECH)
    with pytest.raises(IntegrityError, match="zone_facts_zone_stands"):
        insert("tones", late.pk)
    with pytest.raises(IntegrityError, match="superseded"), spoken.record.change(ADDED) as change_set:
        ZoneFacts.objects.filter(zone=spoken.zone).update(signal=TONES, change_set=change_set)
    with spoken.record.change(LATER + 2 * DAY):
        spoken.record.make(ZoneFacts, zone=late, signal=TONES)
    with pytest.raises(IntegrityError, match="zone_in_use"), spoken.record.change(LATER + DAY) as change_set:
        spoken.record.end(late, change_set)


def test_a_zone_does_not_end_before_what_is_said_of_it(spoken: Quay) -> None:
    spare = spoken.record
    with spare.change(BUILT):
        zone = spare.zone("Kiosk", SPEECH)
    zone_alter(change(spare.site, happened_on=LATER), zone=zone, signal=TONES)
    with pytest.raises(ChangeRefused, match="already says what holds after it"):
        zone_end(change(spare.site, happened_on=ADDED), zone=zone)
    zone_end(change(spare.site, happened_on=LATER + DAY), zone=zone)


def test_a_signal_goes_into_a_correction_by_its_own_operation(spoken: Quay) -> None:
    body = {"op": "zone.alter", "zone_id": spoken.zone.pk, "signal": "tones"}
    with pytest.raises(ChangeRefused, match=r"use the operation that ends in \.correct"):
        change_accept(change(spoken.record.site, kind="correction", happened_on=LATER), [body])


def test_what_else_the_change_set_did_is_not_named() -> None:
    """A run was on the supply once, and gets three speakers on its own one by the change set that sets the
    tones: 1.35 A becomes 2.70 A, of 1.60 A, and 1.35 A of the run's fuse 2.70 A, of 0.8 × 2 A."""
    story = Story()
    story.on("2024-05-01")
    first, second = story.supply(), story.supply()
    story.put("zones", zone_id=1, signal=Signal.SPEECH)
    story.put("zones", zone_id=2, signal=Signal.SPEECH)
    run = story.fed_run(first, zone_id=1, fuse_fitted=1, fuse_rating_a=2.0)
    other = story.fed_run(first, zone_id=2)
    story.speakers(run, 27, 0.05)
    story.speakers(other, 1, 0.05)
    story.on("2024-06-01")
    story.alter("runs", other, supply_index=second)
    chimes = story.on("2025-03-14")
    story.rows["zones"][0]["end"] = story.step
    story.put("zones", zone_id=1, signal=Signal.TONES)
    story.speakers(other, 3, 0.05)
    found = story.attributions((SUPPLY_CURRENT, Rule("run_current")))
    assert set(found) == {("supply_current", 1000), ("run_current", 1000)}
    for one in found.values():
        assert one is not None
        assert one.named.change_set is not None
        assert one.named.change_set.id == chimes
        (change,) = one.named.changes
        signals = (Reference("signal", Signal.SPEECH), Reference("signal", Signal.TONES))
        assert (change.type, change.thing) == ("zone_signal", Reference("zone", 1))
        assert (change.before, change.after) == signals
