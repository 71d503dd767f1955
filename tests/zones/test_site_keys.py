"""Every reference of a record row to a row of another site is refused by the database, one by one."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import connection

from sites.models import Contact, Output, Site
from sites.services.closets import contact_add
from sites.services.endpoints import endpoint_move
from tests import factories
from tests.factories import change
from tests.sites.changes.rows import accepted, refused, say, sql
from zones.models import Test
from zones.services.landings import PairUse, clip_pull, landing_add
from zones.services.paging_sets import paging_set_add
from zones.services.points import point_append
from zones.services.runs import run_alter
from zones.services.tests import record_test
from zones.services.visits import visit_record
from zones.services.zones import zone_endpoint_add

pytestmark = pytest.mark.django_db


def full_site(*, size: int, first_order: int) -> Site:
    """A site with a row in every table of the record, written by a day's change sets from an order on.

    ``size``: how many outputs its gateway has, ports its switch, points its run.
    """
    site = factories.make_site()
    for _ in range(first_order):
        accepted(site.pk, happened_on=factories.BUILT_ON.isoformat())
    closet = factories.make_closet(site)
    block = factories.make_block(closet)
    supply, amplifier = factories.make_supply(closet), factories.make_amplifier(closet)
    switch = factories.make_switch(closet, port_count=size)
    gateway = factories.make_gateway(closet, outputs=[Output.Terminal.JACK] * size)
    zone = factories.make_zone(site)
    endpoint_move(change(site), endpoint=gateway, port=switch.ports.get(number=1))
    run = factories.make_run(block, zone=zone)
    output = gateway.outputs.get(number=1)
    run_alter(change(site), run=run, output=output, supply=supply)
    points = factories.make_points(run, size)
    point_append(change(site), run=run, after=points[-1], zone=zone, feed_supply=supply)
    contact_add(change(site), name="T. Brack", role=Contact.Role.KEY_HOLDER, closet=closet)
    landed: dict[str, Any] = {"run": run, "output": output, "supply": supply, "amplifier": amplifier}
    for number, (name, thing) in enumerate(landed.items()):
        landing_add(
            change(site), block=block, row=1 + 2 * number, pair=1, carries=PairUse.SPARE, **{name: thing}
        )
    clip_pull(change(site), block=block, rows=[1])
    zone_endpoint_add(change(site), zone=zone, endpoint=gateway)
    paging_set_add(change(site), name="all", zones=[zone])
    visit_record(change(site), closet=closet, visited_on=factories.BUILT_ON, technician="T. Brack")
    record_test(
        change(site),
        kind=Test.Kind.END_VOLTAGE,
        state=Test.State.IDLE,
        value=22.0,
        taken_on=factories.BUILT_ON,
        point=points[0],
    )
    return site


def keys() -> list[tuple[str, str, list[str], str, list[str]]]:
    """(constraint, table, columns, table referred to, its columns) of the keys that hold rows to a site."""
    with connection.cursor() as cursor:
        cursor.execute(
            """
            SELECT conname, conrelid::regclass::text, confrelid::regclass::text,
                   ARRAY(SELECT attname::text FROM unnest(conkey) WITH ORDINALITY AS k (n, o)
                         JOIN pg_attribute ON attrelid = conrelid AND attnum = n ORDER BY o),
                   ARRAY(SELECT attname::text FROM unnest(confkey) WITH ORDINALITY AS k (n, o)
                         JOIN pg_attribute ON attrelid = confrelid AND attnum = n ORDER BY o)
            FROM pg_constraint WHERE contype = 'f' AND conname ~ '_of_its_(site|run|day)$' ORDER BY conname
            """
        )
        return [(name, table, own, target, theirs) for name, table, target, own, theirs in cursor.fetchall()]


# The room of findings has a test of its own; nothing is written there by change sets
NOT_WRITTEN_BY_CHANGE_SETS = {
    "finding_case_of_its_site",
    "case_change_set_of_its_site",
    "secret_closet_of_its_site",
}


def test_each_key_refuses_the_row_of_another_site() -> None:
    # Apart in their steps and sizes, so that no other rule stands in the way
    site, other = full_site(size=4, first_order=1), full_site(size=2, first_order=100)
    say(accepted(site.pk, kind="correction"))
    tried = set()
    for name, table, own, target, theirs in keys():
        if name in NOT_WRITTEN_BY_CHANGE_SETS:
            continue
        foreign = sql(
            f"SELECT {', '.join(theirs[1:])} FROM {target} WHERE site_id = %s ORDER BY {theirs[-1]} LIMIT 1",
            other.pk,
        )
        assert foreign, f"the site has no {target}"
        # All other references of the row stay: only this reference leads to the other site
        columns = [column for column in own[1:] if column not in ("run_id", "rank")] or own[1:]
        values: dict[str, Any] = dict(zip(own[1:], foreign[0], strict=True))
        setting = ", ".join(f"{column} = %s" for column in columns)
        chosen = (
            f"SELECT ctid FROM {table} WHERE site_id = %s ORDER BY {columns[0]} IS NULL, ctid DESC LIMIT 1"
        )
        if table == "reading":
            _insert_test(name, columns, values, site)
        elif table == "paging_set_zone":
            _insert_member(name, values, site)
        else:
            with refused(name):
                sql(
                    f"UPDATE {table} SET {setting}, change_set_id = zonebook_change_set() "
                    f"WHERE ctid = ({chosen})",
                    *(values[column] for column in columns),
                    site.pk,
                )
        tried.add(name)
    assert len(tried) > 35


def _insert_test(name: str, columns: list[str], values: dict[str, Any], site: Site) -> None:
    """Tests are never rewritten, so a new one refers to the other site."""
    row = sql("SELECT run_id, point_id FROM reading WHERE site_id = %s", site.pk)[0]
    given = {
        "kind": "end_voltage", "state": "idle", "value": 1, "passed": None, "taken_on": "2025-01-01",
        "run_id": row[0], "point_id": row[1],
    }  # fmt: skip
    given |= {column: values[column] for column in columns}
    if "switch_id" in columns:
        given |= {"kind": "poe_power", "run_id": None, "point_id": None}
    if "zone_id" in columns:
        given |= {"kind": "listening", "state": "paging", "value": None, "passed": True}
        given |= {"run_id": None, "point_id": None}
    if "run_id" in columns and "point_id" not in columns:
        given |= {"kind": "run_current", "point_id": None}
    with refused(name):
        sql(
            f"INSERT INTO reading (site_id, step, technician, instrument, note, {', '.join(given)}) "
            f"VALUES (%s, 1, '', '', '', {', '.join(['%s'] * len(given))})",
            site.pk,
            *given.values(),
        )


def _insert_member(name: str, values: dict[str, Any], site: Site) -> None:
    """A set keeps its zones, so a new one refers to the other site."""
    row = sql("SELECT paging_set_id, zone_id FROM paging_set_zone WHERE site_id = %s", site.pk)[0]
    given = dict(zip(("paging_set_id", "zone_id"), row, strict=True)) | values
    with refused(name):
        sql(
            f"INSERT INTO paging_set_zone (site_id, {', '.join(given)}) VALUES (%s, %s, %s)",
            site.pk,
            *given.values(),
        )
