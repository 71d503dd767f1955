"""What was recorded by mistake today is withdrawn whole: the record is as it was before."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any

import pytest
from django.apps import apps

from sites.changes.errors import ChangeConflict, ChangeRefused
from sites.changes.services import change_accept, change_set_draft, change_set_revise, withdraw_recorded
from sites.models import Contact, DeviceModel, Recorded, Secret, Supply
from sites.models.access import User
from sites.models.changes import Change, ChangeSet, Mark, Withdrawal
from sites.services.catalogue import device_model_alter
from sites.services.closets import closet_add, contact_add, contact_remove
from sites.services.power import supply_add, supply_alter
from sites.services.sites import site_add, site_alter
from tests import factories
from tests.halls import Hall, more_speakers
from tests.sites.changes.rows import refused, sql, step
from tests.zones.findings.conftest import Quay
from zones.models import Landing, PointFacts
from zones.services.points import point_alter, point_append

pytestmark = pytest.mark.django_db

TABLES = sorted(
    {"site"} | {model._meta.db_table for model in apps.get_models() if issubclass(model, Recorded)}
)


def record() -> dict[str, list[str]]:
    """Every row of the record as it stands, the versions of rows included."""
    return {
        table: sorted(row for (row,) in sql(f'SELECT to_jsonb(t)::text FROM "{table}" t')) for table in TABLES
    }


def of_the_supply(hall: Hall, **given: Any) -> dict[str, Any]:
    return {"op": "supply.alter", "supply_id": hall.supply.pk, **given}


MEASURED = {"current_basis": "measured"}


def _mid_run(hall: Hall) -> list[dict[str, Any]]:
    """So many between two points that the run gets new ranks."""
    body = {"op": "point.insert", "before_id": hall.points[5].pk, "model_id": hall.speaker.pk}
    return [body] * 60


def _run(hall: Hall) -> list[dict[str, Any]]:
    return [
        {"op": "supply.add", "label": "s", "closet_id": hall.closet.pk, "name": "PS 9"},
        {"op": "run.add", "label": "r", "block_id": hall.block.pk, "name": "R9", "kind": "self_amplified",
         "zone_id": hall.zone.pk, "supply_id": "@s"},
        {"op": "point.append", "run_id": "@r", "model_id": hall.speaker.pk, "label": "p"},
        {"op": "landing.add", "block_id": hall.block.pk, "run_id": "@r", "row": 7, "pair": 1,
         "carries": "audio"},
        {"op": "test.record", "run_id": "@r", "kind": "run_current", "state": "idle", "value": 0.1,
         "taken_on": factories.BUILT_ON.isoformat()},
        of_the_supply(hall, note="beside PS 9"),
    ]  # fmt: skip


WORK: dict[str, Callable[[Hall], list[dict[str, Any]]]] = {
    "added": lambda hall: more_speakers(hall),
    "cut in, with new ranks": _mid_run,
    "a run with its supply, landing and reading": _run,
    "altered": lambda hall: [of_the_supply(hall, note="damp", name="PS 1a")],
    "another model": lambda hall: [
        of_the_supply(hall, model_id=factories.make_model(DeviceModel.Kind.SUPPLY, rated_current_a=4.0).pk)
    ],
    "removed": lambda hall: [{"op": "point.remove", "point_id": hall.points[4].pk}],
    "ended": lambda hall: [{"op": "zone.end", "zone_id": factories.make_zone(hall.site).pk}],
    "written twice": lambda hall: [
        {"op": "point.alter", "point_id": hall.points[0].pk, "place": where} for where in ("a", "b")
    ],
    "corrected": lambda hall: [
        {"op": "point.correct", "point_id": hall.points[0].pk, "speech_current_a": 0.9, **MEASURED}
    ],
    "clips": lambda hall: [{"op": "clip.pull", "block_id": hall.block.pk, "rows": [1, 2]}],
}


@pytest.mark.parametrize("bodies", WORK.values(), ids=WORK.keys())
def test_the_record_is_as_it_was(
    hall: Hall, technician: User, bodies: Callable[[Hall], list[dict[str, Any]]]
) -> None:
    operations = bodies(hall)
    before = record()
    made = change_accept(factories.change(hall.site, happened_on=None), operations).change_set
    assert record() != before
    withdrawn = withdraw_recorded(change_set=made, user=technician, reason="typed into the wrong site")
    assert record() == before
    assert withdrawn.state == "withdrawn"


def test_the_change_record_keeps_both(hall: Hall, technician: User) -> None:
    made = supply_add(factories.change(hall.site), closet=hall.closet, name="PS 9")
    withdraw_recorded(change_set=made.change_set, user=technician, reason="typed twice")
    rows = list(
        Change.objects.filter(change_set=made.change_set)
        .order_by("id")
        .values_list("table_name", "operation")
    )
    assert rows == [
        ("supply", "insert"),
        ("supply_facts", "insert"),
        ("supply_facts", "delete"),
        ("supply", "delete"),
    ]
    gone = Change.objects.filter(change_set=made.change_set).latest("id")
    assert (gone.old_rows or [])[0]["name"] == "PS 9"
    assert gone.row_count == 1
    said = Withdrawal.objects.get(change_set=made.change_set)
    assert (said.actor, said.user, said.reason) == ("Rune Vale", technician, "typed twice")
    assert made.change_set.recorded_at is not None
    assert said.withdrawn_at >= made.change_set.recorded_at


def test_who_left_is_there_again(hall: Hall, technician: User) -> None:
    contact = contact_add(factories.change(hall.site), name="Ida Lark", role=Contact.Role.SITE).result
    before = record()
    gone = contact_remove(factories.change(hall.site, happened_on=None), contact=contact).change_set
    withdraw_recorded(change_set=gone, user=technician, reason="the wrong one")
    assert record() == before


def test_the_site_is_marked_even_where_a_mark_waits_already(hall: Hall, technician: User) -> None:
    """A recheck may have read the mark that waits, and deletes it."""
    made = supply_alter(
        factories.change(hall.site, happened_on=None), supply=hall.supply, note="x"
    ).change_set
    marks = Mark.objects.filter(site_id=hall.site.pk, change_set=made)
    assert marks.count() == 1
    withdraw_recorded(change_set=made, user=technician, reason="no")
    assert marks.count() == 2


# --- what is refused ----------------------------------------------------------------------------------------


def test_what_something_refers_to_is_refused_by_name(hall: Hall, technician: User) -> None:
    made = supply_add(factories.change(hall.site), closet=hall.closet, name="PS 9")
    later = factories.make_run(hall.block, name="R9", zone=hall.zone, supply=made.result)
    with pytest.raises(ChangeRefused) as refusal:
        withdraw_recorded(change_set=made.change_set, user=technician, reason="typed twice")
    said = str(refusal.value)
    assert f"run R9 (id {later.pk}), recorded by change set " in said
    assert f"refers to supply PS 9 (id {made.result.pk})" in said
    assert Supply.objects.filter(pk=made.result.pk).exists()


def test_a_point_behind_it_stands_in_the_way(hall: Hall, technician: User) -> None:
    first = point_append(factories.change(hall.site, happened_on=None), run=hall.run, after=hall.points[-1])
    point_append(factories.change(hall.site, happened_on=None), run=hall.run, after=first.result)
    with pytest.raises(ChangeRefused, match=f"refers to point {first.result.name}"):
        withdraw_recorded(change_set=first.change_set, user=technician, reason="no")


def test_a_code_kept_for_a_closet_stands_in_the_way(hall: Hall, technician: User) -> None:
    made = closet_add(factories.change(hall.site, happened_on=None), name="C 9")
    Secret.objects.create(
        site=hall.site, closet=made.result, kind="door", label="front", ciphertext=b"x", written_by=technician
    )
    with pytest.raises(ChangeRefused, match=r"refers to closet C 9"):
        withdraw_recorded(change_set=made.change_set, user=technician, reason="no")


@pytest.mark.parametrize("day", [None, factories.BUILT_ON])
def test_what_was_recorded_later_is_named(hall: Hall, technician: User, day: dt.date | None) -> None:
    """Its row of facts carries the mistake on."""
    made = point_alter(
        factories.change(hall.site, happened_on=factories.BUILT_ON), point=hall.points[0], place="a"
    )
    later = point_alter(
        factories.change(hall.site, happened_on=day, reason="moved"), point=hall.points[0], place="b"
    ).change_set
    with pytest.raises(ChangeRefused, match=rf"recorded again later by change set {later.pk} of .*“moved”"):
        withdraw_recorded(change_set=made.change_set, user=technician, reason="no")
    withdraw_recorded(change_set=later, user=technician, reason="this first")
    withdraw_recorded(change_set=made.change_set, user=technician, reason="and then this")
    assert PointFacts.objects.get(point=hall.points[0]).place == ""


def yesterday(change_set: ChangeSet) -> None:
    """Let a change set have been recorded a day ago, which no client could do."""
    sql("SET CONSTRAINTS ALL IMMEDIATE")
    sql("ALTER TABLE change_set DISABLE TRIGGER change_set_written")
    sql("UPDATE change_set SET recorded_at = recorded_at - interval '24 hours' WHERE id = %s", change_set.pk)
    sql("SET CONSTRAINTS ALL IMMEDIATE")
    sql("ALTER TABLE change_set ENABLE TRIGGER change_set_written")
    sql("SET CONSTRAINTS ALL DEFERRED")


def test_one_of_an_earlier_day_is_refused(hall: Hall, technician: User) -> None:
    made = supply_alter(
        factories.change(hall.site, happened_on=None), supply=hall.supply, note="x"
    ).change_set
    yesterday(made)
    with pytest.raises(ChangeRefused, match="is withdrawn on that day only: record a correction"):
        withdraw_recorded(change_set=made, user=technician, reason="no")


def test_the_day_is_that_of_the_site(hall: Hall, technician: User) -> None:
    """Two sites 26 hours apart never share the whole of a day: 24 hours ago is never today in either."""
    for zone in ("Pacific/Kiritimati", "Etc/GMT+12"):
        site_alter(factories.change(hall.site), time_zone=zone)
        made = supply_alter(factories.change(hall.site, happened_on=None), supply=hall.supply, note=zone)
        withdraw_recorded(change_set=made.change_set, user=technician, reason="no")
        again = supply_alter(factories.change(hall.site, happened_on=None), supply=hall.supply, note=zone)
        yesterday(again.change_set)
        with pytest.raises(ChangeRefused, match="on that day only"):
            withdraw_recorded(change_set=again.change_set, user=technician, reason="no")


def test_what_cannot_be_whole_is_refused_by_name(hall: Hall, technician: User) -> None:
    added = site_add(
        factories.change(None, happened_on=None), customer=hall.site.customer, code="new", name="New"
    )
    with pytest.raises(ChangeRefused, match=r"site\.add cannot be withdrawn"):
        withdraw_recorded(change_set=added.change_set, user=technician, reason="no")
    factories.make_model(DeviceModel.Kind.HORN)
    shared = ChangeSet.objects.filter(site__isnull=True).latest("id")
    with pytest.raises(ChangeRefused, match=r"device_model\.add changes what all sites share"):
        withdraw_recorded(change_set=shared, user=technician, reason="no")


def test_it_happens_once_and_stays_so(hall: Hall, technician: User) -> None:
    made = supply_alter(
        factories.change(hall.site, happened_on=None), supply=hall.supply, note="x"
    ).change_set
    with pytest.raises(ChangeConflict):
        withdraw_recorded(change_set=made, user=technician, reason="no", expected_version=made.version + 1)
    withdraw_recorded(change_set=made, user=technician, reason="no", expected_version=made.version)
    with pytest.raises(ChangeRefused, match="is withdrawn; only a recorded one"):
        withdraw_recorded(change_set=made, user=technician, reason="again")
    with pytest.raises(ChangeRefused, match="recorded and then withdrawn"):
        change_set_revise(change_set=made, reason="a draft again")
    other = supply_alter(factories.change(hall.site), supply=hall.supply, note="y").change_set
    with pytest.raises(ChangeRefused, match="reason"):
        withdraw_recorded(change_set=other, user=technician, reason=" ")


def test_a_draft_on_what_was_withdrawn_builds_on_what_was_there_before(hall: Hall, technician: User) -> None:
    """The versions of rows come back with them: a draft of the time before applies again."""
    body = {"op": "point.alter", "point_id": hall.points[0].pk, "place": "by the gate"}
    draft = change_set_draft(factories.change(hall.site, happened_on=None), [body])
    made = point_alter(factories.change(hall.site), point=hall.points[0], place="a").change_set
    withdraw_recorded(change_set=made, user=technician, reason="no")
    assert change_set_revise(change_set=draft, reason="still so").operations == draft.operations


# --- raw SQL ------------------------------------------------------------------------------------------------

WITHDRAW = "INSERT INTO withdrawal (change_set_id, actor, reason) VALUES (%s, 'R. Vale', 'by hand')"


def test_raw_sql_withdraws_alike(hall: Hall, as_service: Callable[[], AbstractContextManager[None]]) -> None:
    before = record()
    made = change_accept(factories.change(hall.site, happened_on=None), more_speakers(hall)).change_set
    with as_service():
        sql(WITHDRAW, made.pk)
    assert record() == before
    made.refresh_from_db()
    assert (made.state, made.withdrawal.actor) == ("withdrawn", "R. Vale")


def test_the_database_refuses_what_is_not_whole(hall: Hall) -> None:
    made = supply_add(factories.change(hall.site), closet=hall.closet, name="PS 9")
    with refused("run_facts_supply_of_its_site"):
        factories.make_run(hall.block, name="R9", zone=hall.zone, supply=made.result)
        sql(WITHDRAW, made.change_set.pk)
    first = point_alter(factories.change(hall.site), point=hall.points[0], place="a").change_set
    second = point_alter(factories.change(hall.site), point=hall.points[0], place="b").change_set
    with refused("withdrawal_of_what_was_recorded_last"):
        sql(WITHDRAW, first.pk)
    with refused("withdrawal_pkey"):
        sql(WITHDRAW, second.pk)
        sql(WITHDRAW, second.pk)
    old = supply_alter(factories.change(hall.site), supply=hall.supply, note="x").change_set
    yesterday(old)
    with refused("withdrawal_on_the_day_of_recording"):
        sql(WITHDRAW, old.pk)
    added = site_add(
        factories.change(None, happened_on=None), customer=hall.site.customer, code="new", name="New"
    )
    with refused("withdrawal_is_whole"):
        sql(WITHDRAW, added.change_set.pk)
    shared = ChangeSet.objects.filter(site__isnull=True).latest("id")
    with refused("withdrawal_of_an_accepted_change_set"):
        sql(WITHDRAW, shared.pk)


def test_nothing_else_deletes_or_rewrites(hall: Hall) -> None:
    """The word by which the database knows of a withdrawal opens nothing to a client who sets it."""
    made = supply_alter(factories.change(hall.site), supply=hall.supply, note="x").change_set
    sql("SELECT set_config('zonebook.withdrawing', %s, true)", str(made.pk))
    with refused("record_is_never_deleted"):
        sql("DELETE FROM point_facts")
    with refused("record_write_names_its_change_set"):
        sql("UPDATE supply SET note = 'by hand'")
    with refused("change_set_accepted_never_changes"):
        sql("UPDATE change_set SET state = 'withdrawn' WHERE id = %s", made.pk)
    # an edit of the catalogue makes a change set at each site, by a trigger of a trigger
    device_model_alter(factories.change(), device_model=hall.speaker, speech_current_a=0.07)
    assert ChangeSet.objects.filter(site=hall.site, kind=ChangeSet.Kind.CATALOGUE, state="accepted").exists()
    sql(WITHDRAW, made.pk)
    with refused("change_set_withdrawn_stays_so"):
        sql("UPDATE change_set SET state = 'draft' WHERE id = %s", made.pk)
    with refused("withdrawal_is_only_added_to"):
        sql("UPDATE withdrawal SET reason = 'another'")


def test_the_next_one_of_the_day_comes_after_it(hall: Hall, technician: User) -> None:
    """Its step is not given out again."""
    made = supply_alter(
        factories.change(hall.site, happened_on=None), supply=hall.supply, note="x"
    ).change_set
    withdraw_recorded(change_set=made, user=technician, reason="no")
    after = supply_alter(
        factories.change(hall.site, happened_on=None), supply=hall.supply, note="y"
    ).change_set
    assert step(after) > step(made)


def test_sql_does_not_withdraw_what_another_change_rewrote() -> None:
    """A conductor that was landed, and then corrected: no facts tell that, only who last wrote its row."""
    quay = Quay()
    with quay.record.change() as landed:
        said = {"side": "field", "pair": 1, "conductor": "first", "carries": "dc_positive"}
        row = quay.record.make(Landing, block=quay.record.block, row=3, run=quay.run, **said)
    with quay.record.change(kind=ChangeSet.Kind.CORRECTION) as seen:
        Landing.objects.filter(pk=row.pk).update(carries="dc_negative", change_set_id=seen.pk)
    with refused("withdrawal_of_what_was_recorded_last"):
        Withdrawal.objects.create(change_set=landed, actor="Ida Lark", reason="typed twice")
    assert Landing.objects.get(pk=row.pk).carries == "dc_negative"
