"""The database itself holds every write to its change set, through any channel."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.db import connection, transaction

from sites.changes.services import today_at
from sites.changes.steps import STEPS_A_DAY, day_of, step_of
from sites.models import Block, Closet, Customer, DeviceModel, Site, SupplyFacts
from sites.models.changes import Change, ChangeSet, Mark
from tests import factories
from tests.sites.changes.rows import accepted, refused, say, sql, step

pytestmark = pytest.mark.django_db

INSERT_BLOCK = (
    "INSERT INTO block (site_id, closet_id, name, kind, row_count, note) VALUES (%s, %s, %s, '110', 50, '')"
)
END_BLOCK = "UPDATE block SET end_step = zonebook_step(), change_set_id = zonebook_change_set() WHERE id = %s"


@pytest.fixture
def committed_block(transactional_db: None) -> Block:
    """A block whose change set was accepted in a transaction before."""
    return factories.make_block()


def test_raw_sql_that_says_its_change_set_writes_rows_a_change_row_and_a_mark(closet: Closet) -> None:
    Mark.objects.all().delete()
    change_set_id = accepted(closet.site_id)
    say(change_set_id)
    sql(INSERT_BLOCK, closet.site_id, closet.pk, "by hand")

    block = Block.objects.get(name="by hand")
    change_set = ChangeSet.objects.get(pk=change_set_id)
    assert block.change_set_id == change_set_id
    assert block.begin_step == change_set.step
    change = Change.objects.get(change_set=change_set)
    assert (change.table_name, change.operation, change.row_count) == ("block", "insert", 1)
    assert change.site_id == closet.site_id
    assert change.old_rows is None
    (written,) = change.new_rows or []
    assert written["name"] == "by hand"
    assert "end_step" not in written  # NULL is left out
    mark = Mark.objects.get()
    assert (mark.site_id, mark.change_set_id, mark.lane) == (
        closet.site_id,
        change_set_id,
        Mark.Lane.INTERACTIVE,
    )


def test_raw_sql_says_who_did_the_work_on_one_line(site: Site) -> None:
    statement = (
        "INSERT INTO change_set (site_id, state, kind, purpose, channel, actor, done_by, reason, "
        "job_reference, quiet, operations, created_at, version) VALUES (%s, 'accepted', 'work', 'record', "
        "'sql', 'R. Vale', %s, 'by hand', '', false, '[]', now(), 1) RETURNING id"
    )
    ((change_set_id,),) = sql(statement, site.pk, "Hallam Crew")
    assert ChangeSet.objects.get(pk=change_set_id).done_by == "Hallam Crew"
    assert ChangeSet.objects.get(pk=accepted(site.pk)).done_by == "", "as of a client that does not know it"
    with refused("change_set_done_by_check"):
        sql(statement, site.pk, "Hallam\nCrew")


def test_an_update_leaves_the_old_and_the_new_values(block: Block) -> None:
    say(accepted(block.site_id))
    sql("UPDATE block SET note = 'damp', change_set_id = zonebook_change_set() WHERE id = %s", block.pk)
    change = Change.objects.latest("id")
    (old,), (new,) = change.old_rows or [], change.new_rows or []
    assert (old["note"], new["note"]) == ("", "damp")
    assert old["change_set_id"] == block.change_set_id


def test_one_change_row_a_statement(closet: Closet) -> None:
    change_set_id = accepted(closet.site_id)
    say(change_set_id)
    for name in ("one", "two"):
        sql(INSERT_BLOCK, closet.site_id, closet.pk, name)
    sql(
        INSERT_BLOCK + ", (%s, %s, 'four', '110', 50, '')",
        closet.site_id,
        closet.pk,
        "three",
        closet.site_id,
        closet.pk,
    )
    counts = (
        Change.objects.filter(change_set_id=change_set_id).order_by("id").values_list("row_count", flat=True)
    )
    assert list(counts) == [1, 1, 2]


def test_a_write_without_a_change_set_is_refused_with_a_hint(closet: Closet) -> None:
    say("")
    with refused("record_write_names_its_change_set"):
        sql(INSERT_BLOCK, closet.site_id, closet.pk, "nobody's")
    with pytest.raises(Exception, match=r"SET LOCAL zonebook\.change_set"), transaction.atomic():
        sql("UPDATE closet SET note = 'x'")


def test_a_word_that_is_no_change_set_is_refused(closet: Closet) -> None:
    say("mine")
    with refused("record_write_names_its_change_set"):
        sql(INSERT_BLOCK, closet.site_id, closet.pk, "nobody's")


def test_a_change_set_that_is_not_there_is_refused(closet: Closet) -> None:
    say(10**9)
    with refused("record_change_set_accepted_just_now"):
        sql(
            "INSERT INTO block (site_id, closet_id, name, kind, row_count, note, begin_step) "
            "VALUES (%s, %s, 'x', '110', 50, '', 1)",
            closet.site_id,
            closet.pk,
        )


def test_a_draft_writes_nothing(closet: Closet) -> None:
    draft = ChangeSet.objects.create(site=closet.site, channel="sql", actor="R. Vale", reason="thinking")
    say(draft.pk)
    with refused("record_change_set_accepted_just_now"):
        sql("UPDATE closet SET note = 'x', change_set_id = zonebook_change_set() WHERE id = %s", closet.pk)


@pytest.mark.django_db(transaction=True)
def test_a_change_set_of_an_earlier_transaction_is_never_added_to(committed_block: Block) -> None:
    with transaction.atomic():
        say(committed_block.change_set_id)
        with refused("record_change_set_accepted_just_now"):
            sql("UPDATE block SET note = 'x', change_set_id = zonebook_change_set()")


@pytest.mark.django_db(transaction=True)
def test_a_change_set_that_another_transaction_has_just_accepted_is_never_added_to() -> None:
    """It was recorded after this transaction began: only its transaction shows that it is another's."""
    closet = factories.make_closet()

    def someone_else() -> int:
        try:
            return accepted(closet.site_id)
        finally:
            connection.close()

    with transaction.atomic():
        sql("SELECT now()")
        with ThreadPoolExecutor(1) as executor:
            theirs = executor.submit(someone_else).result(20)
        assert sql("SELECT recorded_at > now() FROM change_set WHERE id = %s", theirs) == [(True,)]
        say(theirs)
        with refused("record_change_set_accepted_just_now"):
            sql(INSERT_BLOCK, closet.site_id, closet.pk, "theirs")


@pytest.mark.django_db(transaction=True)
def test_an_old_change_set_is_never_added_to_though_its_transaction_has_our_number() -> None:
    """In a cluster restored from a dump the numbers of transactions start over."""
    closet = factories.make_closet()
    old = accepted(closet.site_id)
    with transaction.atomic():
        sql("ALTER TABLE change_set DISABLE TRIGGER USER")
        sql("UPDATE change_set SET transaction_id = txid_current() WHERE id = %s", old)
        sql("ALTER TABLE change_set ENABLE TRIGGER USER")
        say(old)
        with refused("record_change_set_accepted_just_now"):
            sql(INSERT_BLOCK, closet.site_id, closet.pk, "ours")


def test_a_new_row_must_name_the_change_set_of_its_transaction(closet: Closet) -> None:
    """Even where the other one, too, was accepted in this transaction."""
    other, own = accepted(closet.site_id), accepted(closet.site_id)
    say(own)
    with refused("record_row_names_its_change_set"):
        sql(
            "INSERT INTO block (site_id, closet_id, name, kind, row_count, note, change_set_id, begin_step)"
            " SELECT %s, %s, 'x', '110', 50, '', id, step FROM change_set WHERE id = %s",
            closet.site_id,
            closet.pk,
            other,
        )


def test_a_row_must_name_the_change_set_of_its_transaction(block: Block) -> None:
    say(accepted(block.site_id))
    with refused("record_row_names_its_change_set"):
        sql("UPDATE block SET note = 'x' WHERE id = %s", block.pk)


def test_a_change_set_writes_its_own_site_only(block: Block) -> None:
    other = factories.make_block()
    say(accepted(other.site_id))
    with refused("record_change_set_of_its_site"):
        sql("UPDATE block SET note = 'x', change_set_id = zonebook_change_set() WHERE id = %s", block.pk)
    with refused("record_change_set_of_its_site"):
        sql(INSERT_BLOCK, block.site_id, block.closet_id, "theirs")


def test_what_all_sites_share_takes_a_change_set_of_no_site(site: Site) -> None:
    say(accepted(site.pk))
    with refused("record_change_set_of_its_site"):
        sql("UPDATE customer SET note = 'x'")
    change_set_id = accepted(None)
    say(change_set_id)
    sql("UPDATE customer SET note = 'x' WHERE id = %s", site.customer_id)
    change = Change.objects.get(change_set_id=change_set_id)
    assert change.site_id is None
    assert [row["note"] for row in change.new_rows or []] == ["x"]


def test_the_database_counts_versions_of_what_all_sites_share(customer: Customer) -> None:
    say(accepted(None))
    sql("UPDATE customer SET note = 'x', version = 900 WHERE id = %s", customer.pk)
    before = customer.version
    customer.refresh_from_db()
    assert customer.version == before + 1


def test_new_rows_hold_from_their_change_sets_step(closet: Closet) -> None:
    say(accepted(closet.site_id))
    with refused("record_holds_from_its_own_step"):
        sql(
            "INSERT INTO block (site_id, closet_id, name, kind, row_count, note, begin_step) "
            "VALUES (%s, %s, 'x', '110', 50, '', 7)",
            closet.site_id,
            closet.pk,
        )


def test_a_thing_ends_at_its_change_sets_step_and_once(block: Block) -> None:
    say(accepted(block.site_id))
    with refused("record_holds_from_its_own_step"):
        sql(
            "UPDATE block SET end_step = zonebook_step() + 1, change_set_id = zonebook_change_set()"
            " WHERE id = %s",
            block.pk,
        )
    sql(
        END_BLOCK,
        block.pk,
    )
    say(accepted(block.site_id, happened_on="2025-02-04"))
    with refused("record_holds_from_its_own_step"):
        sql("UPDATE block SET end_step = NULL, change_set_id = zonebook_change_set() WHERE id = %s", block.pk)


def test_a_thing_cannot_end_before_it_began(block: Block) -> None:
    say(accepted(block.site_id, happened_on="2020-01-01"))
    with refused("block_ends_after_it_begins"):
        sql(
            END_BLOCK,
            block.pk,
        )


def test_a_thing_keeps_its_site(block: Block) -> None:
    elsewhere = factories.make_closet()
    say(accepted(elsewhere.site_id))
    with refused("record_row_stays_itself"):
        sql(
            "UPDATE block SET site_id = %s, closet_id = %s, change_set_id = zonebook_change_set()"
            " WHERE id = %s",
            elsewhere.site_id,
            elsewhere.pk,
            block.pk,
        )


def test_facts_are_superseded_and_only_a_correction_rewrites_them(closet: Closet) -> None:
    supply = factories.make_supply(closet)
    rewrite = (
        "UPDATE supply_facts SET model_id = NULL, change_set_id = zonebook_change_set() WHERE supply_id = %s"
    )
    say(accepted(closet.site_id))
    with refused("record_facts_are_superseded"):
        sql(rewrite, supply.pk)
    say(accepted(closet.site_id, kind="correction"))
    sql(rewrite, supply.pk)
    assert SupplyFacts.objects.get(supply=supply).model is None


def test_facts_of_the_same_change_set_may_be_rewritten_until_it_ends(closet: Closet) -> None:
    supply = factories.make_supply(closet)
    model = factories.make_model(DeviceModel.Kind.SUPPLY)
    say(accepted(closet.site_id))
    sql("INSERT INTO supply_facts (site_id, supply_id) VALUES (%s, %s)", closet.site_id, supply.pk)
    sql("UPDATE supply_facts SET model_id = %s WHERE step = zonebook_step()", model.pk)
    assert supply.facts.latest("step").model == model


@pytest.mark.parametrize(
    "table", ["block", "closet", "supply", "supply_facts", "site", "point", "point_facts"]
)
def test_the_record_is_never_deleted(table: str, block: Block) -> None:
    say(accepted(block.site_id))
    with refused("record_is_never_deleted"):
        sql(f"DELETE FROM {table}")


@pytest.mark.parametrize("table", ["block", "change", "change_set", "secret_reveal", "customer", "reading"])
def test_the_record_is_not_truncated_outside_tests(table: str, db: None) -> None:
    sql("SELECT set_config('zonebook.allow_truncate', '', true)")
    with refused("record_is_never_deleted"):
        sql(f"TRUNCATE {table} CASCADE")


def test_the_change_record_is_written_by_triggers_and_nothing_else(block: Block) -> None:
    with refused("change_is_written_by_triggers"):
        sql(
            "INSERT INTO change (change_set_id, table_name, operation, row_count, at) "
            "VALUES (%s, 'block', 'insert', 1, now())",
            block.change_set_id,
        )
    with refused("change_is_only_added_to"):
        sql("UPDATE change SET row_count = 0")
    with refused("change_is_only_added_to"):
        sql("DELETE FROM change")


def test_an_accepted_change_set_never_changes(block: Block) -> None:
    for statement in (
        "UPDATE change_set SET reason = 'another' WHERE id = %s",
        "UPDATE change_set SET state = 'draft' WHERE id = %s",
        "DELETE FROM change_set WHERE id = %s",
    ):
        with refused("change_set_accepted_never_changes"):
            sql(statement, block.change_set_id)


def test_a_change_set_cannot_make_up_its_step(site: Site) -> None:
    change_set = ChangeSet.objects.create(
        site=site,
        state="accepted",
        channel="sql",
        actor="R. Vale",
        reason="x",
        happened_on="2025-02-03",
        step=77,
        transaction_id=1,
    )
    change_set.refresh_from_db()
    assert step(change_set) > 77
    assert change_set.transaction_id == sql("SELECT txid_current()")[0][0]


def test_acceptances_of_a_day_are_in_order_and_of_each_site_apart(site: Site) -> None:
    other = factories.make_site()
    ids = [accepted(one.pk, happened_on="2025-06-01") for one in (site, other, site, site)]
    earlier = accepted(site.pk, happened_on="2025-05-31")
    steps = {one.pk: step(one) for one in ChangeSet.objects.filter(pk__in=[*ids, earlier])}
    orders = [steps[pk] % STEPS_A_DAY for pk in ids]
    assert orders == [1, 1, 2, 3]
    assert steps[earlier] % STEPS_A_DAY == 1
    assert day_of(steps[ids[0]]).isoformat() == "2025-06-01"
    assert steps[earlier] < steps[ids[0]]


@pytest.mark.parametrize("time_zone", ["Pacific/Kiritimati", "Pacific/Pago_Pago"])
def test_a_change_set_that_says_no_day_is_of_today_at_its_site(time_zone: str) -> None:
    site = factories.make_site(time_zone=time_zone)
    accepted = ChangeSet.objects.create(site=site, state="accepted", channel="sql", actor="R", reason="x")
    assert accepted.happened_on == datetime.now(ZoneInfo(time_zone)).date()
    assert accepted.step == step_of(accepted.happened_on, 1)


def test_a_day_to_come_is_one_that_is_planned(site: Site) -> None:
    made = {"site": site, "state": "accepted", "channel": "sql", "actor": "R", "reason": "x"}
    tomorrow = today_at(site.pk) + timedelta(days=1)
    with refused("change_set_of_a_day_to_come_is_planned"):
        ChangeSet.objects.create(**made, happened_on=tomorrow)
    assert ChangeSet.objects.create(**made, happened_on=tomorrow, planned=True).step


def test_a_withdrawn_change_set_is_not_accepted(site: Site) -> None:
    draft = ChangeSet.objects.create(
        site=site, state="withdrawn", channel="sql", actor="R", reason="x", happened_on="2025-01-01"
    )
    with refused("change_set_withdrawn_is_not_accepted"):
        sql("UPDATE change_set SET state = 'accepted' WHERE id = %s", draft.pk)


def test_a_change_set_stays_with_its_site(site: Site) -> None:
    draft = ChangeSet.objects.create(site=site, channel="sql", actor="R", reason="x")
    with refused("change_set_keeps_its_site"):
        sql("UPDATE change_set SET site_id = %s WHERE id = %s", factories.make_site().pk, draft.pk)


@pytest.mark.django_db(transaction=True)
def test_a_site_needs_a_change_set_of_its_own(transactional_db: None) -> None:
    customer = factories.make_customer()
    columns = (
        "INSERT INTO site (id, customer_id, code, name, address, city, postal_code, time_zone, length_unit, "
        "design_temperature_c, out_of_hours_phone, induction, permits, dangers, note) "
        "VALUES (%s, %s, 'quay', 'Quay', '', '', '', 'UTC', 'm', 20, '', '', '', '', '')"
    )
    with transaction.atomic():
        (site_id,) = sql("SELECT nextval('site_id_seq')")[0]
        say(accepted(None))
        with refused("record_change_set_of_its_site"):
            sql(columns, site_id, customer.pk)
        say(accepted(site_id))
        sql(columns, site_id, customer.pk)
    assert Site.objects.get(code="quay").change_set.site_id == site_id
