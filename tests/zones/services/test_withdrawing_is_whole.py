"""What is withdrawn is whole: what stands in the way is named, and what does not is let be."""

from __future__ import annotations

from typing import Any

import pytest

from sites.changes.errors import ChangeRefused
from sites.changes.making import bulk_lane
from sites.changes.services import change_accept, change_set_draft, withdraw_recorded
from sites.models import ChangeSet, Contact, Supply
from sites.models.access import User
from sites.models.changes import REWROTE, Change, Mark, Withdrawal
from sites.services.catalogue import device_model_alter
from sites.services.closets import contact_add, contact_remove
from sites.services.power import supply_add, supply_alter
from sites.services.sites import site_alter
from tests import factories
from tests.halls import Hall
from tests.sites.changes.rows import accepted, refused, sql
from zones.models import ClipFacts, Test
from zones.services.landings import clip_pull
from zones.services.tests import record_test, supersede_test

pytestmark = pytest.mark.django_db
WITHDRAW = "INSERT INTO withdrawal (change_set_id, actor, reason) VALUES (%s, 'R. Vale', 'by hand')"


def today(hall: Hall, **said: Any) -> Any:
    return factories.change(hall.site, happened_on=None, **said)


def why_not(change_set: ChangeSet, user: User, reason: str = "no") -> list[str]:
    with pytest.raises(ChangeRefused) as refusal:
        withdraw_recorded(change_set=change_set, user=user, reason=reason)
    return [problem.detail for problem in refusal.value.problems]


@pytest.mark.parametrize(("runs", "said"), [(5, 5), (6, 6), (8, 6)])
def test_five_that_stand_in_the_way_are_named_and_that_there_are_more(
    hall: Hall, technician: User, runs: int, said: int
) -> None:
    made = supply_add(factories.change(hall.site), closet=hall.closet, name="PS 9")
    for number in range(runs):
        factories.make_run(hall.block, name=f"R9-{number}", zone=hall.zone, supply=made.result)
    problems = why_not(made.change_set, technician)
    assert len(problems) == said
    assert sum("refers to supply PS 9" in one for one in problems) == 5
    assert ("And more like these." in problems) is (runs > 5)


def test_what_was_made_and_altered_later_is_named(hall: Hall, technician: User) -> None:
    made = supply_add(today(hall), closet=hall.closet, name="PS 9")
    later = supply_alter(today(hall, reason="moved"), supply=made.result, name="PS 10").change_set
    (problem,) = why_not(made.change_set, technician)
    assert problem.startswith(
        f"This cannot be withdrawn: supply PS 10 (id {made.result.pk}) was recorded again"
    )
    assert f"change set {later.pk}" in problem


def test_a_reading_that_another_one_superseded_is_named(hall: Hall, technician: User) -> None:
    made = record_test(
        today(hall),
        run=hall.run,
        kind=Test.Kind.RUN_CURRENT,
        state=Test.State.IDLE,
        value=0.2,
        taken_on=factories.BUILT_ON,
    )
    supersede_test(today(hall), test=made.result, value=0.3)
    assert f"refers to test {made.result.pk}" in why_not(made.change_set, technician)[0]


def test_a_clip_of_another_row_does_not_stand_in_the_way(hall: Hall, technician: User) -> None:
    first = clip_pull(today(hall), block=hall.block, rows=[1]).change_set
    clip_pull(today(hall), block=hall.block, rows=[2])
    withdraw_recorded(change_set=first, user=technician, reason="the wrong row")
    assert list(ClipFacts.objects.values_list("row", "is_in")) == [(2, False)]


def test_what_was_altered_of_the_site_itself_is_as_it_was(hall: Hall, technician: User) -> None:
    before = hall.site.note
    made = site_alter(today(hall), note="behind the silo").change_set
    withdraw_recorded(change_set=made, user=technician, reason="of another site")
    hall.site.refresh_from_db()
    assert hall.site.note == before


def test_who_has_no_full_name_withdraws_by_the_name_of_the_account(hall: Hall, technician: User) -> None:
    User.objects.filter(pk=technician.pk).update(first_name="", last_name="")
    technician.refresh_from_db()
    made = supply_alter(today(hall), supply=hall.supply, note="x").change_set
    withdraw_recorded(change_set=made, user=technician, reason="no")
    assert Withdrawal.objects.get(change_set=made).actor == technician.username


def test_a_reason_that_is_missing_is_named_by_its_place(hall: Hall, technician: User) -> None:
    made = supply_alter(today(hall), supply=hall.supply, note="x").change_set
    with pytest.raises(ChangeRefused) as refusal:
        withdraw_recorded(change_set=made, user=technician, reason="")
    assert [problem.pointer for problem in refusal.value.problems] == ["/reason"]


def test_what_tells_of_an_edit_of_the_catalogue_is_not_withdrawn(hall: Hall, technician: User) -> None:
    asked = factories.change(reason="data sheet")
    device_model_alter(asked, device_model=hall.speaker, speech_current_a=0.07)
    follows = ChangeSet.objects.get(site=hall.site, kind=ChangeSet.Kind.CATALOGUE)
    (problem,) = why_not(follows, technician)
    assert problem.endswith("an edit of the catalogue, which all sites share: undo that edit there.")


def test_what_tells_what_an_import_rewrote_is_not_withdrawn(hall: Hall, technician: User) -> None:
    (told,) = sql(
        "INSERT INTO change_set (site_id, state, kind, purpose, channel, actor, reason, job_reference, "
        "happened_on, quiet, operations, created_at, version) "
        "VALUES (%s, 'accepted', 'correction', 'record', 'import', "
        "'R. Vale', 'as built', '', '2025-02-03', false, %s::jsonb, now(), 1) RETURNING id",
        hall.site.pk,
        f'[{{"op": "{REWROTE}", "table": "point_facts", "rows": []}}]',
    )
    (problem,) = why_not(ChangeSet.objects.get(pk=told[0]), technician)
    assert "it records values that an import brought already corrected" in problem


def test_the_change_record_says_that_what_was_deleted_is_back(hall: Hall, technician: User) -> None:
    contact = contact_add(factories.change(hall.site), name="Ida Lark", role=Contact.Role.SITE).result
    gone = contact_remove(today(hall), contact=contact).change_set
    withdraw_recorded(change_set=gone, user=technician, reason="the wrong one")
    rows = Change.objects.filter(change_set=gone).order_by("id").values_list("table_name", "operation")
    assert list(rows) == [("contact", "delete"), ("contact", "insert")]


def test_a_withdrawal_among_bulk_work_is_bulk_work(hall: Hall, technician: User) -> None:
    made = supply_alter(today(hall), supply=hall.supply, note="x").change_set
    Mark.objects.all().delete()
    with bulk_lane():
        withdraw_recorded(change_set=made, user=technician, reason="no")
    assert list(Mark.objects.values_list("lane", flat=True)) == [Mark.Lane.BULK]


def test_a_withdrawal_is_another_version(hall: Hall, technician: User) -> None:
    made = supply_alter(today(hall), supply=hall.supply, note="x").change_set
    withdrawn = withdraw_recorded(change_set=made, user=technician, reason="no")
    assert withdrawn.version == made.version + 1


def test_sql_withdraws_no_draft_and_nothing_without_rows(hall: Hall) -> None:
    body = {"op": "supply.alter", "supply_id": hall.supply.pk, "note": "x"}
    draft = change_set_draft(today(hall), [body])
    with refused("withdrawal_of_an_accepted_change_set"):
        sql(WITHDRAW, draft.pk)
    empty = accepted(hall.site.pk)
    with refused("withdrawal_is_whole"):
        sql(WITHDRAW, empty)


def test_sql_does_not_withdraw_a_name_that_was_changed_again(hall: Hall) -> None:
    """A name is of no facts: only who last wrote its row tells."""
    first = change_accept(
        today(hall), [{"op": "supply.alter", "supply_id": hall.supply.pk, "name": "PS 1a"}]
    ).change_set
    supply_alter(today(hall), supply=hall.supply, name="PS 1b")
    with refused("withdrawal_of_what_was_recorded_last"):
        sql(WITHDRAW, first.pk)
    assert Supply.objects.get(pk=hall.supply.pk).name == "PS 1b"


def test_sql_withdraws_no_change_set_that_is_not_there(hall: Hall) -> None:
    with refused("withdrawal_of_an_accepted_change_set"):
        sql(WITHDRAW, 1 << 40)


def test_a_column_that_a_table_had_once_is_no_matter(hall: Hall, technician: User) -> None:
    """A release takes columns away; the catalogue of PostgreSQL keeps their places."""
    sql("SET CONSTRAINTS ALL IMMEDIATE")
    sql("ALTER TABLE supply ADD COLUMN gone text")
    sql("ALTER TABLE supply DROP COLUMN gone")
    sql("SET CONSTRAINTS ALL DEFERRED")
    made = supply_alter(today(hall), supply=hall.supply, name="PS 1a").change_set
    withdraw_recorded(change_set=made, user=technician, reason="no")
    assert Supply.objects.get(pk=hall.supply.pk).name == "PS 1"


def test_what_is_not_there_any_more_is_not_withdrawn(hall: Hall, technician: User) -> None:
    """A contact who left was recorded and removed: no row says who wrote it last, only that it is missing."""
    made = contact_add(factories.change(hall.site), name="Ida Lark", role=Contact.Role.SITE)
    gone = contact_remove(today(hall), contact=made.result).change_set
    assert why_not(made.change_set, technician)
    with refused("withdrawal_of_what_was_recorded_last"):
        sql(WITHDRAW, made.change_set.pk)
    withdraw_recorded(change_set=gone, user=technician, reason="this first")
    withdraw_recorded(change_set=made.change_set, user=technician, reason="and then this")
    assert not Contact.objects.exists()
