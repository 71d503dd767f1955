"""Which change is named, on plants laid out by hand."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from tests.zones.findings.stories import SUPPLY_CURRENT, Story, said
from zones.electrical.bands import Basis
from zones.electrical.evaluate import evaluate
from zones.electrical.plant import Members
from zones.electrical.verdicts import Rule
from zones.findings import timeline
from zones.findings.attribution import attribute
from zones.findings.baselines import Since
from zones.findings.named_changes import Attribution, Cause
from zones.findings.timeline import Targets


def ids(attribution: Attribution) -> list[int | None]:
    """Change sets of the named change, or of both ends of the range."""
    changes = [attribution.named] if attribution.since is None else [attribution.since, attribution.until]
    return [change.change_set.id if change and change.change_set else None for change in changes]


@pytest.fixture
def story() -> Story:
    """A 2 A supply (limit 1.6 A) commissioned with 1.35 A on it."""
    story = Story()
    story.on("2024-05-01", "M. Tarn", "LS-1900")
    supply = story.supply()
    run = story.fed_run(supply)
    story.speakers(run, 27, 0.05)
    return story


def test_the_addition_that_crossed_the_limit_is_named(story: Story) -> None:
    crossing = story.on("2025-03-14")
    story.speakers(story.fed_run(0), 12, 0.04)
    story.on("2025-09-01")
    story.speakers(0, 1, 0.01)
    found = story.only()
    assert ids(found) == [crossing]
    assert found.named.cause is Cause.ADDITION
    assert found.named.before.value == pytest.approx(1.35)
    assert found.named.after.value == pytest.approx(1.83)
    assert found.baseline.value == pytest.approx(1.35)
    assert found.baseline_day == dt.date(2024, 5, 1)


def test_the_last_crossing_that_still_stands_is_named_not_the_first(story: Story) -> None:
    story.on("2025-01-10")
    first = story.speakers(0, 12, 0.04)
    story.on("2025-02-10")
    story.remove(*first[:8])
    standing = story.on("2025-06-10")
    story.speakers(0, 8, 0.04)
    story.on("2025-08-10")
    story.speakers(0, 4, 0.04)
    assert ids(story.only()) == [standing]
    # the same as of the day of the first crossing, and nothing in between
    assert ids(story.only(day="2025-01-10")) == [101]
    assert story.attributions(day="2025-02-10") == {}


def test_several_changes_of_a_day_are_told_apart_by_their_order(story: Story) -> None:
    story.on("2025-03-14")
    story.speakers(0, 2, 0.04)
    second = story.on("2025-03-14")
    story.speakers(0, 12, 0.04)
    story.on("2025-03-14")
    story.speakers(0, 1, 0.04)
    assert ids(story.only()) == [second]


def test_estimates_that_crossed_at_different_changes_make_a_range(story: Story) -> None:
    # marked currents: 0.85 to 1.15 of the likely one
    story.on("2025-01-10")
    story.speakers(0, 4, 0.05, basis=Basis.MARKED)  # 1.55 likely
    likely = story.on("2025-03-10")
    story.speakers(0, 2, 0.05, basis=Basis.MARKED)  # 1.65 likely, high 1.7625, low 1.5375
    high = 101  # high at 1.35 × 1.05 + 0.23 = 1.6475
    found = story.only()
    assert ids(found) == [high, likely]
    assert found.named.change_set is not None
    assert found.named.change_set.id == likely
    # once low is past too the range ends with low's change
    low = story.on("2025-05-10")
    story.speakers(0, 6, 0.05, basis=Basis.MARKED)
    found = story.only()
    assert ids(found) == [high, low]
    assert found.named.change_set is not None
    assert found.named.change_set.id == likely


def test_one_change_is_named_where_low_is_past_since_the_same_one(story: Story) -> None:
    crossing = story.on("2025-01-10")
    story.speakers(0, 20, 0.05, basis=Basis.MARKED)
    found = story.only()
    assert found.since is None
    assert ids(found) == [crossing]


def test_only_the_high_estimate_past_names_its_own_change(story: Story) -> None:
    maybe = story.on("2025-01-10")
    story.speakers(0, 4, 0.05, basis=Basis.MARKED)
    found = story.only()
    assert ids(found) == [maybe]
    assert found.since is None


def test_past_at_the_end_of_the_first_day_is_as_found(story: Story) -> None:
    story.on("2024-05-01", "M. Tarn", "LS-1900")
    story.speakers(0, 12, 0.04)
    story.on("2025-03-14")
    story.speakers(0, 1, 0.04)
    found = story.only()
    assert found.named.cause is Cause.AS_FOUND
    assert found.named.after.value == pytest.approx(1.83)
    assert found.baseline.value == pytest.approx(1.83)


def test_a_change_that_builds_something_past_its_limit_later_is_named(story: Story) -> None:
    built = story.on("2025-03-14", done_by="Hallam Crew")
    late = story.supply()  # 2 A: 1.60 A of it
    story.speakers(story.fed_run(late), 40, 0.05)  # 40 at 0.05 A: 2.00 A
    found = story.attributions()[("supply_current", 1001)]
    assert found is not None
    assert ids(found) == [built]
    assert found.named.cause is Cause.ADDITION
    assert found.named.before.value is None
    assert found.named.after.value == pytest.approx(2.0)
    assert found.baseline_day == dt.date(2024, 5, 1)  # the site's first day, not the supply's
    assert found.baseline.value is None
    assert said(found).endswith(" by Hallam Crew, job LS-2207, recorded by R. Ondine: supply S2 at 2.00 A; "
                                "limit 1.60 A")  # fmt: skip


def test_the_commissioned_day_is_the_baseline_where_nothing_was_surveyed(story: Story) -> None:
    story.on("2024-05-20")
    story.speakers(0, 12, 0.04)  # 1.35 + 12 × 0.04 = 1.83 A
    later = story.on("2025-03-14")
    story.speakers(0, 1, 0.04)
    assert ids(story.only()) == [101]
    story.commissioned_on = dt.date(2024, 6, 1)
    found = story.only()
    assert (found.named.cause, found.baseline_day) == (Cause.AS_FOUND, dt.date(2024, 6, 1))
    assert found.baseline.value == pytest.approx(1.83)
    assert said(found) == "As found at commissioning on 2024-06-01: supply S2 at 1.83 A; limit 1.60 A"
    assert said(story.only(day="2024-05-25")).startswith("Before commissioning on 2024-06-01: ")
    # a survey goes before it: then what was built since is work
    story.surveyed_on = dt.date(2024, 5, 19)
    assert ids(story.only()) == [101]
    assert later == 102


@pytest.mark.parametrize(
    ("surveyed", "commissioned", "today", "since", "in_service_from"),
    [
        (None, None, "2024-05-01", Since.FIRST_DAY, "2024-05-02"),  # the day is not over
        (None, None, "2024-05-02", Since.FIRST_DAY, None),
        (None, "2024-06-01", "2024-05-31", Since.COMMISSIONING, "2024-06-01"),
        (None, "2024-06-01", "2024-06-01", Since.COMMISSIONING, None),
        ("2024-07-01", "2024-06-01", "2024-06-20", Since.SURVEY, "2024-07-01"),
        ("2024-07-01", "2024-06-01", "2024-07-01", Since.SURVEY, None),
    ],
)
def test_until_when_a_site_is_being_built(
    story: Story, surveyed: str | None, commissioned: str | None, today: str, since: str,
    in_service_from: str | None,
) -> None:  # fmt: skip
    story.surveyed_on, story.commissioned_on = (
        dt.date.fromisoformat(day) if day else None for day in (surveyed, commissioned)
    )
    (baseline,) = story.baselines(story.build(), today)
    assert baseline.since == since
    assert baseline.begun is (in_service_from is None)
    if in_service_from is not None:
        assert baseline.in_service_from == dt.date.fromisoformat(in_service_from)


def test_all_that_happened_before_the_survey_is_as_found(story: Story) -> None:
    story.on("2025-03-14")
    story.speakers(0, 12, 0.04)
    story.surveyed_on = dt.date(2025, 3, 14)
    found = story.only()
    assert found.named.cause is Cause.AS_FOUND
    assert found.found is Since.SURVEY
    story.surveyed_on = dt.date(2025, 3, 13)
    assert story.only().named.cause is Cause.ADDITION


def test_a_subject_newer_than_the_survey_is_judged_from_the_survey(story: Story) -> None:
    story.surveyed_on = dt.date(2024, 6, 1)
    added = story.on("2025-03-14")
    story.speakers(story.fed_run(story.supply()), 40, 0.05)
    found = story.attributions()[("supply_current", 1001)]
    assert found is not None
    assert ids(found) == [added]
    assert found.baseline.value is None


def test_as_found_and_a_later_crossing_of_low_make_a_range(story: Story) -> None:
    story.on("2024-05-01")
    story.speakers(0, 6, 0.05, basis=Basis.MARKED)  # likely 1.65, high past, low not
    later = story.on("2025-03-14")
    story.speakers(0, 6, 0.05, basis=Basis.MARKED)
    found = story.only()
    assert found.since is not None
    assert found.since.cause is Cause.AS_FOUND
    assert found.until is not None
    assert found.until.change_set is not None
    assert found.until.change_set.id == later
    assert found.named.cause is Cause.AS_FOUND  # the likely estimate's: so is the case


def test_a_smaller_supply_is_an_alteration(story: Story) -> None:
    swapped = story.on("2025-03-14")
    story.alter("supplies", 0, rated_current_a=1.0)
    found = story.only()
    assert ids(found) == [swapped]
    assert found.named.cause is Cause.ALTERATION
    assert found.named.before.limit == pytest.approx(1.6)
    assert found.named.after.limit == pytest.approx(0.8)


def test_rows_last_written_by_a_correction_name_it_beside_the_work(story: Story) -> None:
    work = story.on("2025-03-14")
    added = story.speakers(0, 12, 0.01)
    correction = story.on("2026-02-01", "P. Vale", "", kind="correction")
    story.rewrite("points", added[0], speech_current_a=0.2)
    note = story.only().named
    assert note.note is not None  # as long as it is not known to have crossed the limit
    assert (note.note.id, note.correction, note.cause) == (correction, None, Cause.ADDITION)
    story.crossed_by = correction
    found = story.only()
    assert found.named.cause is Cause.CORRECTION
    assert ids(found) == [work]
    assert found.named.correction is not None
    assert found.named.correction.id == correction
    assert found.named.causing is found.named.correction


def test_devices_found_by_a_later_count_are_a_correction(story: Story) -> None:
    work = story.on("2025-03-14")
    story.speakers(0, 5, 0.04)
    at = story.step
    correction = story.on("2026-02-01", kind="correction")
    story.step = at  # rows from the step where the wrong record begins
    story.crossed_by = correction
    story.speakers(0, 3, 0.04)
    found = story.only()
    assert ids(found) == [work]
    assert found.named.correction is not None
    assert found.named.correction.id == correction


def test_a_correction_of_what_came_before_leaves_the_work_named(story: Story) -> None:
    tap = story.speakers(0, 1, 0.05)[0]
    work = story.on("2025-03-14")
    story.alter("points", tap, speech_current_a=0.9)
    story.on("2026-02-01", kind="correction")
    story.rewrite("points", tap, row=0, speech_current_a=0.04)
    found = story.only()
    assert found.named.cause is Cause.ALTERATION
    assert ids(found) == [work]


def test_a_correction_of_another_supplys_run_in_the_group_is_not_named(story: Story) -> None:
    other = story.supply()
    shared = story.fed_run(0)
    story.on("2024-06-01")
    story.alter("runs", shared, supply_index=other)  # now both supplies are of one group
    work = story.on("2025-03-14")
    story.speakers(0, 12, 0.04)
    elsewhere = story.speakers(shared, 2, 0.04)
    story.on("2026-02-01", kind="correction")
    story.rewrite("points", elsewhere[0], speech_current_a=0.05)
    found = story.only()
    assert found.named.cause is Cause.ADDITION
    assert ids(found) == [work]
    assert sum(change.count for change in found.named.changes) == 12


def test_a_run_moved_from_another_supply_is_named(story: Story) -> None:
    other = story.supply()
    run = story.fed_run(other)
    story.speakers(run, 12, 0.04)
    moved = story.on("2025-03-14")
    story.alter("runs", run, supply_index=0)
    found = story.only()
    assert ids(found) == [moved]
    assert found.named.cause is Cause.ALTERATION


def test_a_change_dated_after_the_asked_day_is_not_seen(story: Story) -> None:
    story.on("2025-03-14")
    story.speakers(0, 12, 0.04)
    assert story.attributions(day="2025-03-13") == {}
    assert ids(story.only(day="2025-03-14")) == [101]


def test_equality_is_not_past(story: Story) -> None:
    story.on("2025-03-14")
    story.speakers(0, 5, 0.05)  # 1.60 A of 1.60 A, but for the last bits
    found = story.only()  # measured currents: the high estimate is past, the likely one is not
    assert found.named.after.value == pytest.approx(1.6)
    assert said(found).endswith("; it may not exceed the limit")


def test_many_subjects_are_answered_in_one_batch(story: Story, monkeypatch: pytest.MonkeyPatch) -> None:
    story.on("2025-03-14")
    story.speakers(0, 12, 0.04)
    for _ in range(3):
        story.on("2025-04-14")
        story.speakers(story.fed_run(story.supply()), 40, 0.05)
    calls = []

    def counted(*args: object, **kwargs: object) -> object:
        calls.append(args)
        return evaluate(*args, **kwargs)  # type: ignore[arg-type]

    monkeypatch.setattr(timeline, "evaluate", counted)
    assert len(story.attributions()) == 4
    assert len(calls) == 1


def test_the_whole_history_has_every_step(story: Story) -> None:
    story.on("2025-01-10")
    added = story.speakers(0, 12, 0.04)
    story.on("2025-02-10")
    story.remove(*added)
    entries = story.history()
    assert [round(e.estimates.likely.value or 0, 6) for e in entries] == [1.35, 1.83, 1.35]
    assert [e.past[1] for e in entries] == [False, True, False]
    assert [e.after_baseline for e in entries] == [False, True, True]
    assert [e.change_set.id for e in entries if e.change_set] == [100, 101, 102]


def test_an_address_used_twice_is_put_down_to_the_second_one() -> None:
    story = Story()
    story.on("2024-05-01")
    first = story.put("endpoints")
    story.put("addresses", endpoint_index=first, address_code=5)
    second_day = story.on("2025-03-14")
    second = story.put("endpoints")
    story.put("addresses", endpoint_index=second, address_code=5)
    found = story.attributions([Rule("address_used_twice", near_margin=0)])
    one = found[("address_used_twice", 1000)]
    assert one is not None
    assert ids(one) == [second_day]
    assert one.named.cause is not Cause.UNKNOWN
    two = found[("address_used_twice", 1001)]
    assert two is not None
    assert ids(two) == [second_day]  # the change that added it, since the site was there before


def test_a_reading_that_disagrees_is_named_itself() -> None:
    story = Story()
    story.on("2024-05-01")
    run = story.fed_run(story.supply())
    story.speakers(run, 4, 0.05)
    story.on("2025-01-10")
    story.speakers(run, 1, 0.05)
    read = story.on("2025-03-14", "T. Brisk", "LS-9")
    story.step = story.as_of("2025-03-14")  # after the day's last
    story.put("readings", run_index=run, value=0.9)
    found = story.only([Rule("reading_disagrees", near_margin=0)], day="2025-06-01")
    assert ids(found) == [read]
    assert found.named.day == dt.date(2025, 3, 14)


def test_what_cannot_be_computed_is_put_down_to_the_change_that_made_it_so(story: Story) -> None:
    made = story.on("2025-03-14")
    later = 1 + max(row["point_index"] for row in story.rows["points"])
    story.alter("points", 26, parent_index=later)
    story.on("2026-03-14")
    assert story.speakers(0, 1, 0.05) == [later]
    plant = story.build()
    asked = story.as_of("2025-06-01")
    now = evaluate(plant, Members.of_sites(plant, asked), [SUPPLY_CURRENT])
    assert [problem.reason for problem in now.problems] == ["parent_missing"]
    (found,) = attribute(
        plant, Targets.of_problems(plant, now.problems), [SUPPLY_CURRENT], asked_step=[asked],
        baselines=story.baselines(plant), lookup=story.lookup,
    )  # fmt: skip
    assert found is not None
    assert ids(found) == [made]


@pytest.mark.parametrize("seed", range(12))
def test_standing_steps_agree_with_a_walk_through_the_days(seed: int) -> None:
    """Against a slow walk: one evaluation a step, from the last back to the first that is not past."""
    random = np.random.default_rng(seed)
    story = Story()
    story.on("2024-01-01")
    run = story.fed_run(story.supply())
    standing = story.speakers(run, 26, 0.05, basis=Basis.MARKED)
    for k in range(14):
        story.on(f"2024-{2 + k // 2:02}-{1 + k % 2:02}")
        if random.random() < 0.4 and len(standing) > 6:
            gone = [int(i) for i in random.choice(standing, 5, replace=False)]
            story.remove(*gone)
            standing = [i for i in standing if i not in gone]
        else:
            standing += story.speakers(run, int(random.integers(1, 7)), 0.05, basis=Basis.MARKED)
    _plant, targets, _ = story.targets([SUPPLY_CURRENT])
    walked = _walk(story)
    if not len(targets):
        assert walked == [None, None, None]
        return
    found = story.only()
    low, likely, high = walked
    expected = (
        [likely or high]
        if likely is None or (high == likely and low in (None, likely))
        else [high, low or likely]
    )
    named = [None if k == 100 else k for k in ids(found)]  # any change of the first day: as found
    assert named == [None if k == 100 else k for k in expected]


def _walk(story: Story) -> list[int | None]:
    """By estimate (low, likely, high) the change set since which it is past, walking back day by day."""
    plant = story.build()
    since: list[int | None] = [None, None, None]
    ended = [False, False, False]
    for info in reversed(story.infos):
        now = evaluate(plant, Members.of_sites(plant, info.step or 0), [SUPPLY_CURRENT])
        for k, figure in enumerate((now.low[0], now.likely[0], now.high[0])):
            beyond = figure > now.limit[0] * (1 + 1e-9)
            ended[k] = ended[k] or not beyond
            if not ended[k]:
                since[k] = info.id
    return since
