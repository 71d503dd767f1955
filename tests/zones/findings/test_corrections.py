"""Which correction of the record made a crossing, and which is only a note: a supply of 2 A (limit 0.8 × 2 =
1.60 A) that feeds 27 wall speakers at 0.05 A (1.35 A), all measured."""

from __future__ import annotations

import datetime as dt
from functools import partialmethod
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from sites.changes.services import change_accept, change_set_accept, change_set_draft
from sites.changes.steps import step_of
from sites.models import ChangeSet, Mark
from sites.services.catalogue import device_model_alter
from tests import factories
from tests.factories import change
from tests.zones.findings.conftest import ADDED, MEASURED, NOW, Quay
from tests.zones.recording import SiteRecord
from zones.electrical.evaluate import evaluate
from zones.electrical.plant import Members, Plant
from zones.findings import corrections
from zones.findings.annotate import Annotated
from zones.findings.catalogue_news import tell_catalogue_news
from zones.limits.registry import RULES
from zones.models import Case, PointFacts
from zones.plant.corrections import corrections_of, undone
from zones.plant.versions import Version, read_versions
from zones.recheck.batch import check
from zones.recheck.sweep import look_once

DAY = dt.timedelta(days=1)
LATER = ADDED + 10 * DAY
CORRECTION = ChangeSet.Kind.CORRECTION


def sentence(quay: Quay) -> str:
    finding = quay.finding()
    said: str = Annotated([finding], {quay.site_id: 1 << 60}).words[finding.pk].attribution["sentence"]
    return said


def named(quay: Quay) -> dict[str, Any]:
    change: dict[str, Any] = quay.finding().attribution["change"]
    return change


def keys(quay: Quay) -> list[str]:
    return [key for key, is_open in quay.cases().items() if is_open]


def test_a_later_measurement_is_named_beside_the_change_only_where_that_crossed_it(
    quay: Quay,
) -> None:
    work, points = quay.add(6)  # 1.35 + 6 × 0.04 = 1.59 A
    correction = quay.correct(points[:1], LATER, speech_current_a=0.3)  # 1.35 + 5 × 0.04 + 0.30 = 1.85 A
    quay.check()
    finding = quay.finding()
    assert finding.likely == pytest.approx(1.85)
    assert finding.attribution["kind"] == "correction"
    assert (named(quay)["change_set"], named(quay)["correction"]) == (work.pk, correction.pk)
    assert named(quay)["note"] is None
    assert keys(quay) == [f"change-set-{correction.pk}"]
    assert (
        f"6 wall speakers added on {ADDED} by Tom Reed, job LS-2207, known since currents were measured on "
        f"{LATER} by Tom Reed: supply S1 went from 1.35 A to 1.85 A; limit 1.60 A"
    ) in sentence(quay)


def test_a_correction_that_did_not_cross_it_is_a_note(quay: Quay) -> None:
    work, points = quay.add(12)  # 1.35 + 12 × 0.04 = 1.83 A
    note = quay.correct(points, LATER, length_m=2.5)
    quay.check()
    assert quay.finding().attribution["kind"] == "addition"
    assert (named(quay)["correction"], named(quay)["note"]) == (None, note.pk)
    assert quay.finding().attribution["change_sets"] == [work.pk, note.pk]
    assert keys(quay) == [f"change-set-{work.pk}"]
    assert f", job LS-2207, lengths measured on {LATER} by Tom Reed: supply S1" in sentence(quay)


def test_the_last_correction_that_turned_it_is_named_in_the_order_of_recording(quay: Quay) -> None:
    work, points = quay.add(6)  # 1.59 A
    quay.correct(points[:1], LATER, speech_current_a=0.3)  # 1.85 A: past
    quay.correct(points[:1], LATER + DAY, speech_current_a=0.02)  # 1.57 A: not past
    turned = quay.correct(points[1:2], LATER - DAY, speech_current_a=0.1)  # 1.63 A: past, of an earlier day
    after = quay.correct(points[2:3], LATER + 2 * DAY, speech_current_a=0.05)  # 1.64 A: as past as before
    quay.check()
    assert quay.finding().likely == pytest.approx(1.64)
    assert (named(quay)["change_set"], named(quay)["correction"]) == (work.pk, turned.pk)
    assert named(quay)["note"] == after.pk


def test_past_at_the_baseline_by_a_correction_is_as_found(db: None) -> None:
    quay = Quay(surveyed_on=ADDED)
    quay.cover()
    _, points = quay.add(6, ADDED - DAY)  # 1.59 A
    correction = quay.correct(points[:1], LATER, speech_current_a=0.3)  # 1.85 A
    quay.check()
    assert quay.finding().attribution["kind"] == "as_found"
    assert named(quay)["correction"] == correction.pk
    assert keys(quay) == ["as-found"]
    assert (
        f"As found by the survey of {ADDED}: supply S1 at 1.85 A; limit 1.60 A; known since currents were "
        f"measured on {LATER} by Tom Reed"
    ) in sentence(quay)


def test_each_end_of_a_range_has_its_own_correction(quay: Quay) -> None:
    marked = 3  # ± 15 %
    first, points = quay.add(6)  # high: 1.05 × 1.59 = 1.67 A, likely 1.59 A
    second, _ = quay.add(1, ADDED + DAY, current_a=0.02, basis=marked)  # likely 1.61 A
    third, _ = quay.add(4, ADDED + 2 * DAY, current_a=0.04, basis=marked)  # likely 1.77 A
    # low: 0.95 × 1.59 + 0.85 × (0.02 + 4 × 0.04) = 1.66 A
    quay.correct(points[:1], LATER, speech_current_a=0.005)
    # high of the first step: 1.05 × 1.555 = 1.63 A; likely of the second: 1.575 A; low of the third: 1.63 A
    correction = quay.correct(points[:1], LATER + DAY, speech_current_a=0.04)
    quay.check()
    between = quay.finding().attribution["between"]
    assert (between["since"]["change_set"], between["until"]["change_set"]) == (first.pk, third.pk)
    assert (between["since"]["correction"], between["until"]["correction"]) == (None, None)
    assert (named(quay)["change_set"], named(quay)["correction"]) == (second.pk, correction.pk)


def test_what_later_work_carried_on_is_undone_with_the_correction(quay: Quay) -> None:
    _, points = quay.add(6)  # 1.59 A
    correction = quay.correct(points[:1], LATER, speech_current_a=0.2)  # 1.75 A
    # 0.20 A is copied into the new facts of the first, and the five others go: 1.55 A
    with quay.record.change(LATER + DAY):
        row = PointFacts.objects.get(point=points[0])
        facts = quay.facts | {"speech_current_a": 0.2, "current_basis": MEASURED, "length_m": 3.0}
        quay.record.point_facts(points[0], parent=row.parent, **facts)
    quay.remove(points[1:], LATER + 2 * DAY)
    work, _ = quay.add(1, LATER + 3 * DAY, current_a=0.09)  # 1.64 A; without the correction 1.48 A
    quay.check()
    assert quay.finding().likely == pytest.approx(1.64)
    assert (named(quay)["change_set"], named(quay)["correction"]) == (work.pk, correction.pk)


def test_what_work_recorded_before_the_correction_stays(quay: Quay) -> None:
    _, points = quay.add(6)  # 1.59 A
    work: list[ChangeSet] = []
    for current_a in (0.2, 0.2):  # 1.75 A, as of two visits
        with quay.record.change(LATER + len(work) * DAY) as change_set:
            row = PointFacts.objects.filter(point=points[0]).latest("step")
            facts = quay.facts | {"speech_current_a": current_a, "length_m": 4.0 + len(work)}
            quay.record.point_facts(points[0], parent=row.parent, **facts)
            work.append(change_set)
    # the first of the rows says 0.20 A since the correction; the visits said so by themselves
    with quay.record.change(LATER + 5 * DAY, kind=CORRECTION) as correction:
        first = PointFacts.objects.filter(point=points[0]).order_by("step").first()
        assert first is not None
        PointFacts.objects.filter(point=points[0], step=first.step).update(
            speech_current_a=0.2, change_set_id=correction.pk
        )
    quay.check()
    # past since the points were added, and not before the correction
    assert named(quay)["correction"] == correction.pk
    (version,) = undone(corrections_of([quay.site_id])[quay.site_id])
    rows = sorted(version.rows["point_facts"].items())
    assert [row["speech_current_a"] for _, row in rows if row is not None] == [0.04, 0.2, 0.2]


def test_a_found_device_leaves_a_splice_to_what_was_connected_behind_it(quay: Quay) -> None:
    last = quay.points[-1]
    with quay.record.change(ADDED - DAY, kind=CORRECTION, reason="counted") as found:
        facts = quay.facts | {"speech_current_a": 0.04}
        device = quay.record.point(quay.run, "found", 99.0, parent=last, **facts)  # 1.39 A
    work, _ = quay.add(12)  # behind it: 1.87 A; without it 1.83 A, past as well
    quay.check()
    assert quay.finding().likely == pytest.approx(1.87)
    assert (named(quay)["change_set"], named(quay)["correction"]) == (work.pk, None)
    versions = undone(corrections_of([quay.site_id])[quay.site_id])
    plant = read_versions([*versions, Version(quay.site_id, {})])
    by_site = plant.points.count_likely, plant.group_site[plant.points.group]
    assert [by_site[0][by_site[1] == site].sum() for site in (0, 1)] == [39.0, 40.0]
    now = Members.of_sites(plant, step_of(NOW.date(), 1))
    assert not evaluate(plant, now, RULES).problems, "what is connected behind it stays so"
    assert found.pk
    assert device.pk


def test_a_found_device_that_crossed_it_is_named(quay: Quay) -> None:
    work, _ = quay.add(6)  # 1.59 A
    with quay.record.change(LATER, kind=CORRECTION, reason="counted") as found:
        step = PointFacts.objects.filter(run=quay.run).latest("step").step
        facts = quay.facts | {"speech_current_a": 0.04, "step": step}
        quay.record.point(quay.run, "found", 99.0, parent=quay.points[-1], **facts)  # 1.63 A
    quay.check()
    assert (named(quay)["change_set"], named(quay)["correction"]) == (work.pk, found.pk)
    assert f"known since the record was corrected on {LATER} by Tom Reed (“counted”)" in sentence(quay)


def test_versions_of_many_sites_are_one_batch(db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    calls: list[Plant] = []

    def counted(plant: Plant, *of: Any, **said: Any) -> Any:
        calls.append(plant)
        return evaluate(plant, *of, **said)

    monkeypatch.setattr(corrections, "evaluate", counted)
    quays = [Quay() for _ in range(3)]
    for quay in quays[:2]:
        _, points = quay.add(6)
        for current_a in (0.2, 0.3):
            quay.correct(points[:1], LATER, speech_current_a=current_a)
    quays[2].add(12)
    check([quay.site_id for quay in quays], now=NOW)
    assert len(calls) == 1
    assert len(calls[0].site_id) == 4, "two versions of two sites; none where nothing was corrected"
    assert [quay.finding().attribution["kind"] for quay in quays] == ["correction", "correction", "addition"]
    assert [len({quay.finding().attribution["change"]["correction"]}) for quay in quays] == [1, 1, 1]


def test_a_correction_of_what_another_supply_feeds_is_not_computed(
    quay: Quay, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls: list[Plant] = []

    def counted(plant: Plant, *of: Any) -> Any:
        calls.append(plant)
        return evaluate(plant, *of)

    monkeypatch.setattr(corrections, "evaluate", counted)
    with quay.record.change(ADDED - DAY):
        supply = quay.record.supply(quay.supply_model, "S2")
        run = quay.record.run("R2", supply=supply, zone=quay.zone)
        others = quay.record.chain(run, 2, **quay.facts)
    _, points = quay.add(6)
    quay.correct(others, LATER, length_m=3.0)
    quay.correct(points[:1], LATER, speech_current_a=0.3)
    quay.check()
    assert [len(plant.site_id) for plant in calls] == [1], "one version: without the second"


def test_corrections_are_in_the_order_of_their_recording_and_not_of_their_drafts(quay: Quay) -> None:
    asked = change(quay.record.site, reason="label read", happened_on=LATER, kind=CORRECTION)
    body = {"op": "point.correct", "point_id": quay.points[0].pk, "speech_current_a": 0.3}
    draft = change_set_draft(asked, [body])
    sooner = quay.correct(quay.points[1:2], LATER, length_m=3.0)
    change_set_accept(change_set=draft, user=factories.make_user())
    found = corrections_of([quay.site_id])[quay.site_id]
    assert draft.pk < sooner.pk
    assert [one.id for one in found] == [sooner.pk, draft.pk]


@pytest.mark.parametrize(
    ("facts", "what"),
    [
        ({"length_m": 3.0}, "lengths_measured"),
        ({"length_m": 3.0, "length_basis": 2}, "lengths"),
        ({"length_m": 3.0, "speech_current_a": 0.06}, "record"),
        ({"speech_current_a": 0.06}, "currents_measured"),
        ({"speech_current_a": 0.06, "current_basis": 3}, "currents"),
    ],
)
def test_what_a_correction_was_about(quay: Quay, facts: dict[str, Any], what: str) -> None:
    quay.correct(quay.points[:1], LATER, **facts)
    (found,) = corrections_of([quay.site_id])[quay.site_id]
    assert corrections.corrected(found).what == what


def test_what_is_within_its_limits_costs_nothing(quay: Quay) -> None:
    _, points = quay.add(1)
    quay.correct(points, LATER, speech_current_a=0.05)
    with CaptureQueriesContext(connection) as queries:
        quay.check()
    assert not [one for one in queries.captured_queries if "old_rows" in one["sql"]]


# --- the catalogue ------------------------------------------------------------------------------------------


def edit(quay: Quay, *, done_by: str = "", **ratings: float) -> ChangeSet:
    """An edit of the speakers' model. Returns the change set that it is at the quay."""
    asked = change(reason="data sheet of 2026", actor="Ida Lark", done_by=done_by, happened_on=LATER)
    device_model_alter(asked, device_model=quay.speaker, **ratings)
    return ChangeSet.objects.get(site_id=quay.site_id, kind=ChangeSet.Kind.CATALOGUE)


def test_an_edit_of_the_catalogue_is_named_where_it_crossed_a_limit(quay: Quay) -> None:
    work, _ = quay.add(3)  # 1.35 + 3 × 0.04 = 1.47 A
    edited = edit(quay, speech_current_a=0.055)  # 27 × 0.055 + 0.12 = 1.605 A
    quay.check()
    assert quay.finding().likely == pytest.approx(1.605)
    assert quay.finding().attribution["kind"] == "correction"
    assert (named(quay)["change_set"], named(quay)["correction"]) == (work.pk, edited.pk)
    assert keys(quay) == [f"change-set-{edited.pk}"]
    assert (
        f"known since the speech current of {quay.speaker.name} was corrected from 50 to 55 mA on "
        f"{edited.happened_on} by Ida Lark"
    ) in sentence(quay)


def test_an_edit_of_the_catalogue_is_named_by_who_did_it_at_each_site(quay: Quay) -> None:
    quay.add(3)
    edited = edit(quay, done_by="Hallam Crew", speech_current_a=0.055)  # 27 × 0.055 + 3 × 0.04 = 1.605 A
    assert (edited.done_by, edited.actor) == ("Hallam Crew", "Ida Lark")
    quay.check()
    assert quay.finding().likely == pytest.approx(1.605)
    assert f"on {edited.happened_on} by Hallam Crew, recorded by Ida Lark" in sentence(quay)


def test_an_edit_of_the_catalogue_that_makes_all_past_is_as_found(quay: Quay) -> None:
    quay.add(3)
    edited = edit(quay, speech_current_a=0.12)  # 27 × 0.12 = 3.24 A on the first day
    quay.check()
    assert quay.finding().attribution["kind"] == "as_found"
    assert named(quay)["correction"] == edited.pk
    assert keys(quay) == ["as-found"]
    assert "; known since the speech current of" in sentence(quay)


def test_an_edit_of_the_catalogue_that_crossed_nothing_is_not_named(quay: Quay) -> None:
    work, _ = quay.add(12)  # 1.83 A
    edit(quay, speech_current_a=0.051)  # 1.857 A
    quay.check()
    assert quay.finding().attribution["change_sets"] == [work.pk]
    assert quay.finding().attribution["kind"] == "addition"


def test_an_edit_of_the_catalogue_is_told_as_one_summary_a_customer(db: None) -> None:
    first = Quay()
    quays = [first, *(Quay(speaker=first.speaker) for _ in range(2))]
    for quay in quays:
        quay.cover()
        quay.add(3)  # 1.47 A
    edit(first, speech_current_a=0.055)  # 1.605 A at each of them
    check([quay.site_id for quay in quays], now=NOW)
    assert not [event for quay in quays for event in quay.events()]
    tell_catalogue_news(NOW)
    events = [event for quay in quays for event in quay.events()]
    (event,) = events
    assert (event.kind, event.customer_id, event.case_key) == (
        "catalogue.corrected", quays[0].record.customer.pk, "",
    )  # fmt: skip
    body = event.body
    assert [site["id"] for site in body["sites"]] == [quay.site_id for quay in quays]
    assert body["counts"] == {"probably_past": 3}
    assert [len(case["findings"]) for case in body["cases"]] == [1, 1, 1]
    assert body["change_set"]["reason"] == "data sheet of 2026"
    # each is closed as a case of its own
    edit_back = change(reason="misread", actor="Ida Lark", happened_on=LATER)
    device_model_alter(edit_back, device_model=first.speaker, speech_current_a=0.05)
    check([quay.site_id for quay in quays], now=NOW)
    assert [quay.kinds()[-1] for quay in quays] == ["case.cleared"] * 3


def edited_quays(count: int) -> list[Quay]:
    """Quays of one customer whose speakers turned out to draw 55 mA: 27 × 0.055 + 3 × 0.04 = 1.605 A each."""
    first = Quay()
    quays = [first, *(Quay(speaker=first.speaker) for _ in range(count - 1))]
    for quay in quays:
        quay.cover()
        quay.add(3)
    check([quay.site_id for quay in quays], now=NOW)
    edit(first, speech_current_a=0.055)
    return quays


def summaries(quays: list[Quay]) -> list[list[int]]:
    """The sites of each summary."""
    events = [event for quay in quays for event in quay.events() if event.kind == "catalogue.corrected"]
    return [[site["id"] for site in event.body["sites"]] for event in events]


def test_an_edit_is_told_once_however_many_batches_its_sites_take(db: None) -> None:
    quays = edited_quays(3)
    ids = [quay.site_id for quay in quays]
    for batch in (ids[:1], ids[1:2]):
        check(batch, now=NOW)
        tell_catalogue_news(NOW)
        assert summaries(quays) == []
    check(ids[2:], now=NOW)
    tell_catalogue_news(NOW)
    tell_catalogue_news(NOW)
    assert summaries(quays) == [ids]
    assert not Case.objects.filter(site_id__in=ids, notified_at__isnull=True).exists()


def test_the_last_batch_tells_of_the_others_where_it_found_nothing_itself(db: None) -> None:
    quays = edited_quays(2)
    quays[1].remove(quays[1].points[:9], ADDED + DAY)  # 18 × 0.055 + 3 × 0.04 = 1.11 A
    for quay in quays:
        check([quay.site_id], now=NOW)
        tell_catalogue_news(NOW)
    assert summaries(quays) == [[quays[0].site_id]]


def test_a_site_that_could_not_be_computed_is_not_waited_for(db: None) -> None:
    quays = edited_quays(2)
    Mark.objects.filter(site_id=quays[1].site_id).update(lane=Mark.Lane.SET_ASIDE)
    check([quays[0].site_id], now=NOW)
    tell_catalogue_news(NOW)
    assert summaries(quays) == [[quays[0].site_id]]
    Mark.objects.filter(site_id=quays[1].site_id).update(lane=Mark.Lane.BULK)
    check([quays[1].site_id], now=NOW)
    tell_catalogue_news(NOW)
    assert summaries(quays) == [[quay.site_id] for quay in quays]


def test_what_was_cleared_before_it_was_told_is_left_out(db: None) -> None:
    quays = edited_quays(2)
    check([quays[0].site_id], now=NOW)
    quays[0].remove(quays[0].points[:9], ADDED + DAY)
    check([quays[0].site_id], now=NOW)
    check([quays[1].site_id], now=NOW)
    tell_catalogue_news(NOW)
    assert summaries(quays) == [[quays[1].site_id]]
    assert quays[0].kinds() == [], "never opened as far as anyone was told, so not closed either"


def test_the_sweep_tells_it(transactional_db: None) -> None:
    quays = edited_quays(1)
    look_once(now=NOW)
    assert summaries(quays) == [[quays[0].site_id]]


def test_a_correction_by_its_operation_is_named(quay: Quay) -> None:
    work, points = quay.add(6)
    asked = change(quay.record.site, reason="label read", happened_on=LATER, kind=CORRECTION)
    body = {"op": "point.correct", "point_id": points[0].pk, "speech_current_a": 0.3}
    correction = change_accept(asked, [body]).change_set
    quay.check()
    assert (named(quay)["change_set"], named(quay)["correction"]) == (work.pk, correction.pk)


def test_a_site_that_a_correction_recorded_stands_without_it(
    db: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patched:
        patched.setattr(SiteRecord, "change", partialmethod(SiteRecord.change, kind=CORRECTION))
        quay = Quay()
        quay.cover()
        quay.add(12)  # 1.35 + 12 × 0.04 = 1.83 A
    quay.check()
    assert quay.finding().likely == pytest.approx(1.83)
    assert quay.finding().attribution["kind"] == "correction"
