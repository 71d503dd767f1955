"""What a draft would do, shown without anything being written."""

from __future__ import annotations

import datetime as dt
import threading
import time
from typing import Any

import pytest
from django.db import connection

from sites.changes.errors import ChangeConflict, ChangeRefused
from sites.changes.services import change_set_accept, change_set_draft, change_set_withdraw, today_at
from sites.models import DeviceModel, Supply
from sites.models.changes import Change, ChangeSet, Mark
from sites.services.power import supply_alter
from tests import factories
from tests.halls import Hall, lose_facts, more_speakers
from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Verdict
from zones.loads.site_loads import site_loads
from zones.models import Point
from zones.planning.drafts import accept_draft, evaluate_draft
from zones.planning.effects import Effect, difference_between, figures_for_effect
from zones.services.points import point_alter

pytestmark = pytest.mark.django_db


def draft(hall: Hall, bodies: list[dict[str, Any]], **said: Any) -> ChangeSet:
    change = factories.change(hall.site, **{"happened_on": None, "reason": "twelve more", **said})
    return change_set_draft(change, bodies)


def of(found: Effect, code: str) -> Any:
    return next(one for one in found.differences if one.code == code)


def test_twelve_more_push_the_supply_past_its_limit(hall: Hall) -> None:
    found = evaluate_draft(draft(hall, more_speakers(hall)))
    supply = of(found, "supply_current")
    # by hand: 40 and 52 speakers at 40 mA
    assert supply.before.load.likely == pytest.approx(1.60)
    assert supply.after.load.likely == pytest.approx(2.08)
    assert supply.verdict_after is Verdict.PAST
    assert supply.crosses
    assert found.differences[0].crosses, "what crosses stands first"
    assert {one.code for one in found.differences} >= {"supply_current", "run_voltage", "output_speakers"}
    untouched = {
        (SubjectKind.SWITCH, hall.switch.pk),
        (SubjectKind.OUTPUT, hall.gateway.outputs.get(number=2).pk),
    }
    assert not untouched & {one.subject for one in found.differences}


def test_chimes_push_the_supply_past_its_limit(hall: Hall) -> None:
    """By hand: 40 speakers at 40 mA; with chimes in the gangway ten of them at 80 mA."""
    made = draft(hall, [{"op": "zone.alter", "zone_id": hall.gangway.pk, "signal": "tones"}])
    (expected,) = made.operations
    assert set(expected["expects"]) == {f"zone_facts/{hall.gangway.pk}"}
    supply = of(evaluate_draft(made), "supply_current")
    assert (supply.before.load.likely, supply.after.load.likely) == pytest.approx((1.60, 2.00))
    assert supply.crosses
    assert hall.gangway.facts.count() == 1


def test_nothing_is_left_of_it(hall: Hall) -> None:
    made = draft(hall, more_speakers(hall))

    def record() -> tuple[Any, ...]:
        return (
            Point.objects.count(),
            Change.objects.count(),
            Mark.objects.count(),
            ChangeSet.objects.filter(state="accepted").count(),
            ChangeSet.objects.values_list("state", "version").get(pk=made.pk),
        )

    before = record()
    evaluate_draft(made)
    assert record() == before


def test_what_it_says_is_what_comes_when_it_is_accepted(hall: Hall, technician: Any) -> None:
    made = draft(hall, more_speakers(hall))
    found = evaluate_draft(made)
    change_set_accept(change_set=made, user=technician)
    now = {(load.code, load.subject): load for load in site_loads(hall.site.pk, today_at(hall.site.pk)).loads}
    for one in found.differences:
        assert one.after is not None
        load = now[one.code, one.subject]
        assert (load.likely, load.verdict) == (one.after.load.likely, one.after.load.verdict)


def test_differences_are_told_in_words(hall: Hall) -> None:
    found = evaluate_draft(draft(hall, more_speakers(hall)))
    assert of(found, "supply_current").sentence == (
        "Supply current of supply PS 1: from 1.60 A to 2.08 A; limit 1.60 A. Past; before cannot tell."
    )
    assert found.summary.startswith("Supply current of supply PS 1: from 1.60 A to 2.08 A")
    larger = factories.make_model(DeviceModel.Kind.SUPPLY, rated_current_a=4.0)
    healed = evaluate_draft(
        draft(hall, [{"op": "supply.alter", "supply_id": hall.supply.pk, "model_id": larger.pk}])
    )
    assert of(healed, "supply_current").sentence == (
        "Supply current of supply PS 1: 1.60 A; limit 3.20 A, before limit 1.60 A. Within; before "
        "cannot tell."
    )
    assert healed.summary == "In order again: supply current of supply PS 1."
    nothing = evaluate_draft(
        draft(hall, [{"op": "supply.alter", "supply_id": hall.supply.pk, "note": "seen"}])
    )
    assert nothing.summary == "It would change no figure."


def test_what_a_draft_adds_is_called_by_its_name(hall: Hall) -> None:
    bodies = [
        {"op": "run.add", "label": "r", "block_id": hall.block.pk, "name": "R9", "kind": "self_amplified",
         "zone_id": hall.zone.pk, "supply_id": hall.supply.pk},
        {"op": "point.append", "run_id": "@r", "model_id": hall.speaker.pk, "name": "first"},
    ]  # fmt: skip
    voltage = next(
        one for one in evaluate_draft(draft(hall, bodies)).differences
        if one.code == "run_voltage" and one.before is None
    )  # fmt: skip
    assert voltage.sentence.startswith("Voltage at the last speaker of run R9: ")
    assert voltage.after is not None
    assert voltage.after.place == "first"


def test_what_could_not_be_computed_any_more(hall: Hall) -> None:
    before = figures_for_effect(hall.site.pk, None)
    lose_facts(hall.points[5])
    after = figures_for_effect(hall.site.pk, None)
    found = difference_between(before, after, done=False)
    (amiss,) = found.not_computed
    assert amiss.name == "run R1"
    assert found.summary.startswith("Run R1 could no longer be computed: the point before one of its points")
    assert found.computed == ()
    (healed,) = difference_between(after, before, done=True).computed
    assert healed.name == "run R1"
    still = difference_between(after, after, done=True)
    assert (still.not_computed, still.computed) == ((), ()), "as before"


def test_what_a_draft_heals_is_told_too(hall: Hall) -> None:
    larger = factories.make_model(DeviceModel.Kind.SUPPLY, rated_current_a=4.0)
    found = evaluate_draft(
        draft(hall, [{"op": "supply.alter", "supply_id": hall.supply.pk, "model_id": larger.pk}])
    )
    supply = of(found, "supply_current")
    assert (supply.verdict_before, supply.verdict_after) == (Verdict.CANNOT_TELL, Verdict.WITHIN)
    assert supply.clears
    assert not supply.crosses


def test_a_plan_for_a_later_day_is_judged_on_that_day(hall: Hall) -> None:
    day = today_at(hall.site.pk) + dt.timedelta(days=30)
    found = evaluate_draft(draft(hall, more_speakers(hall), happened_on=day))
    assert found.as_of == day
    back_dated = evaluate_draft(draft(hall, more_speakers(hall), happened_on=factories.BUILT_ON))
    assert back_dated.as_of == today_at(hall.site.pk)


def test_a_draft_overtaken_by_another_change_is_a_conflict_that_names_it(hall: Hall) -> None:
    made = draft(hall, [{"op": "point.alter", "point_id": hall.points[3].pk, "place": "over the gate"}])
    between = point_alter(factories.change(hall.site), point=hall.points[3], place="by the door").change_set
    with pytest.raises(ChangeConflict) as conflict:
        evaluate_draft(made)
    assert conflict.value.between == (between.pk,)


def test_accepting_says_what_it_did(hall: Hall, technician: Any) -> None:
    made = draft(hall, more_speakers(hall))
    looked_at = evaluate_draft(made)
    accepted, effect = accept_draft(change_set=made, user=technician)
    assert accepted.change_set.state == "accepted"
    assert effect is not None
    assert effect.summary == looked_at.summary
    supply = of(effect, "supply_current")
    # by hand: 40 and 52 speakers at 40 mA
    assert (supply.before.load.likely, supply.after.load.likely) == (pytest.approx(1.6), pytest.approx(2.08))
    # 0.8 of 2 A; the hall's output rates 40 speakers: 10 of 40 left, then 42 are two too many
    assert supply.after.load.limit == pytest.approx(1.6)
    output = of(effect, "output_speakers")
    assert (output.before.load.likely, output.after.load.likely, output.crosses) == (30, 42, True)


def test_what_gets_worse_without_crossing_is_told_apart(hall: Hall, technician: Any) -> None:
    (one_more,) = more_speakers(hall, 1)
    _, effect = accept_draft(change_set=draft(hall, [one_more]), user=technician)
    assert effect is not None
    # by hand: 31 of 40 speakers on the output, before 30: worse, and still within
    output = of(effect, "output_speakers")
    assert (output.before.load.likely, output.after.load.likely) == (30, 31)
    assert (output.crosses, output.clears, output.worsens) == (False, False, True)
    _, effect = accept_draft(
        change_set=draft(hall, [{"op": "point.remove", "point_id": hall.points[-1].pk}]), user=technician
    )
    assert effect is not None
    assert not of(effect, "output_speakers").worsens, "one fewer is better"


def test_a_correction_says_what_it_did_too(hall: Hall, technician: Any) -> None:
    """It has no step of its own at which a figure moves: it rewrites what held."""
    body = {"op": "point.correct", "point_id": hall.points[0].pk, "speech_current_a": 0.24}
    made = draft(hall, [{**body, "current_basis": "measured"}])
    _, effect = accept_draft(change_set=made, user=technician)
    assert effect is not None
    # by hand: 39 speakers at 40 mA and one at 240 mA
    assert of(effect, "supply_current").after.load.likely == pytest.approx(1.80)
    assert "supply PS 1: from 1.60 A to 1.80 A; limit 1.60 A." in effect.summary


def test_what_it_did_is_said_in_the_past(hall: Hall, technician: Any) -> None:
    made = draft(hall, [{"op": "supply.alter", "supply_id": hall.supply.pk, "note": "seen"}])
    assert accept_draft(change_set=made, user=technician)[1].summary == "It changed no figure."  # type: ignore[union-attr]
    (one_more,) = more_speakers(hall, 1)
    bigger = factories.make_model(DeviceModel.Kind.SUPPLY, rated_current_a=4.0)
    supply_alter(factories.change(hall.site), supply=hall.supply, model=bigger)
    _, effect = accept_draft(change_set=draft(hall, [one_more]), user=technician)
    assert effect is not None
    assert effect.summary.startswith("It changed ")
    assert effect.summary.endswith(" figures; none crosses its limit.")


def test_what_is_accepted_already_is_refused(hall: Hall, technician: Any) -> None:
    made = draft(hall, more_speakers(hall))
    change_set_accept(change_set=made, user=technician)
    with pytest.raises(ChangeRefused, match="is accepted; only a draft"):
        evaluate_draft(made)


def test_a_withdrawn_draft_can_be_looked_at_no_more(hall: Hall) -> None:
    made = change_set_withdraw(change_set=draft(hall, more_speakers(hall)))
    with pytest.raises(ChangeRefused, match="withdrawn"):
        evaluate_draft(made)


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("accepts", [False, True])
def test_nobody_writes_between_before_and_after(
    hall: Hall, technician: Any, monkeypatch: pytest.MonkeyPatch, *, accepts: bool
) -> None:
    """A writer of the same site waits until both evaluations have read."""
    made = draft(hall, [{"op": "supply.alter", "supply_id": hall.supply.pk, "note": "seen"}])
    order: list[str] = []
    writer = threading.Thread(target=_write, args=(hall, order))

    def read(site_id: int, day: dt.date) -> Any:
        if not writer.ident:
            writer.start()
            _await_waiting()
        order.append("read")
        return site_loads(site_id, day)

    monkeypatch.setattr("zones.planning.effects.site_loads", read)
    if accepts:
        accept_draft(change_set=made, user=technician)
    else:
        evaluate_draft(made)
    writer.join(30)
    assert order == ["read", "read", "written"]
    assert Supply.objects.get(pk=hall.supply.pk).note == "written meanwhile"


def _write(hall: Hall, order: list[str]) -> None:
    try:
        supply_alter(factories.change(hall.site), supply=hall.supply, note="written meanwhile")
        order.append("written")
    finally:
        connection.close()


def _await_waiting() -> None:
    """Until some other connection waits for a lock."""
    deadline = time.monotonic() + 20
    while time.monotonic() < deadline:
        with connection.cursor() as cursor:
            # Within a transaction the view is read once and kept, unless it is let go
            cursor.execute("SELECT pg_stat_clear_snapshot()")
            cursor.execute(
                "SELECT count(*) FROM pg_stat_activity "
                "WHERE datname = current_database() AND wait_event_type = 'Lock'"
            )
            if cursor.fetchone()[0]:
                return
    raise AssertionError("the writer never waited")
