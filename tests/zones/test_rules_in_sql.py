"""The database refuses a new description of a thing that no longer fits what lies on it, or feeds it."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import models

from sites.models import Block, Closet, DeviceModel
from tests import factories
from tests.sites.changes.rows import accepted, refused, say, sql
from zones.models import PagingSet, Run, Zone
from zones.services.landings import PairUse, clip_pull, landing_add
from zones.services.paging_sets import paging_set_add, paging_set_end
from zones.services.points import point_append
from zones.services.zones import zone_end

pytestmark = pytest.mark.django_db


def rewrite(row: Any, **values: Any) -> None:
    """Change the description of a thing by raw SQL, and check it as at the end of a transaction."""
    say(accepted(row.site_id, kind="correction"))
    for column, value in values.items():
        sql(
            f'UPDATE "{row._meta.db_table}" SET {column} = %s, change_set_id = zonebook_change_set() '
            "WHERE id = %s",
            value,
            row.pk,
        )
    sql("SET CONSTRAINTS ALL IMMEDIATE")


def fed_by_a_supply(closet: Closet, block: Block) -> models.Model:
    return factories.make_run(block, supply=factories.make_supply(closet))


def fed_by_an_amplifier(closet: Closet, block: Block) -> models.Model:
    amplifier = factories.make_amplifier(closet)
    return factories.make_run(block, kind=Run.Kind.CONSTANT_VOLTAGE, amplifier=amplifier)


def fed_at_a_point(closet: Closet, block: Block) -> models.Model:
    run = factories.make_run(block)
    point_append(factories.change(block.site), run=run, feed_supply=factories.make_supply(closet))
    return run


def landed_on(_: Closet, block: Block) -> models.Model:
    run = factories.make_run(block)
    landing_add(factories.change(block.site), block=block, row=4, pair=1, carries=PairUse.DC, run=run)
    return block


def with_clips_out(_: Closet, block: Block) -> models.Model:
    clip_pull(factories.change(block.site), block=block, rows=[4, 5])
    return block


@pytest.mark.parametrize(
    ("made", "fits", "breaks", "rule"),
    [
        (
            fed_by_a_supply,
            {"note": "seen"},
            {"kind": Run.Kind.CONSTANT_VOLTAGE.value},
            "run_facts_fed_by_what_fits_its_kind",
        ),
        (
            fed_by_an_amplifier,
            {"kind": Run.Kind.LOW_IMPEDANCE.value},
            {"kind": Run.Kind.SELF_AMPLIFIED.value},
            "run_facts_fed_by_what_fits_its_kind",
        ),
        (
            fed_at_a_point,
            {"kind": Run.Kind.SELF_AMPLIFIED.value},
            {"kind": Run.Kind.LOW_IMPEDANCE.value},
            "point_facts_fed_by_what_fits_its_run",
        ),
        (landed_on, {"row_count": 5}, {"row_count": 4}, "landing_row_of_its_block"),
        (with_clips_out, {"row_count": 5}, {"row_count": 4}, "clip_facts_row_of_its_block"),
        (
            with_clips_out,
            {"kind": Block.Kind.TYPE_110.value},
            {"kind": Block.Kind.SCREW.value},
            "clip_facts_block_can_isolate",
        ),
    ],
)
def test_a_new_description_fits_what_the_record_has(
    closet: Closet, block: Block, made: Any, fits: dict[str, Any], breaks: dict[str, Any], rule: str
) -> None:
    thing = made(closet, block)
    if "note" not in fits:
        rewrite(thing, **fits)
    with refused(rule):
        rewrite(thing, **breaks)


def test_a_device_model_stays_of_its_kind() -> None:
    model = factories.make_model(DeviceModel.Kind.SUPPLY)
    say(accepted(None, kind="correction"))
    change = "UPDATE device_model SET kind = %s, change_set_id = zonebook_change_set() WHERE id = %s"
    sql(change, "supply", model.pk)
    with refused("device_model_kind_stays"):
        sql(change, "switch", model.pk)


def test_what_is_altered_is_held_to_the_rules_as_what_is_added(closet: Closet, block: Block) -> None:
    amplifier = factories.make_amplifier(closet)
    run = factories.make_run(block, supply=factories.make_supply(closet))
    say(accepted(block.site_id, kind="correction"))
    with refused("run_facts_fed_by_what_fits_its_kind"):
        sql(
            "UPDATE run_facts SET amplifier_id = %s, change_set_id = zonebook_change_set() WHERE run_id = %s",
            amplifier.pk,
            run.pk,
        )


def test_what_is_added_with_its_end_is_not_used_after_it(closet: Closet, block: Block) -> None:
    say(accepted(block.site_id))
    with refused("run_block_stands"):
        sql(
            "INSERT INTO block (site_id, closet_id, name, kind, row_count, note, begin_step, end_step) "
            "VALUES (%s, %s, 'gone', '110', 50, '', zonebook_step(), zonebook_step() + 1)",
            block.site_id,
            closet.pk,
        )
        (block_id,) = sql("SELECT id FROM block WHERE name = 'gone'")[0]
        sql(
            "INSERT INTO run (site_id, block_id, name, kind, note) "
            "VALUES (%s, %s, 'R', 'self_amplified', '')",
            block.site_id,
            block_id,
        )


def joined(paging_set: PagingSet, zone: Zone, kind: str) -> None:
    """Put a zone into a set that is there, by raw SQL."""
    say(accepted(zone.site_id, kind=kind))
    sql(
        "INSERT INTO paging_set_zone (site_id, change_set_id, paging_set_id, zone_id) "
        "VALUES (%s, zonebook_change_set(), %s, %s)",
        zone.site_id,
        paging_set.pk,
        zone.pk,
    )
    sql("SET CONSTRAINTS ALL IMMEDIATE")


def test_a_zone_is_put_into_a_set_that_is_there_by_a_correction_only(closet: Closet) -> None:
    hall, gangway = factories.make_zone(closet.site), factories.make_zone(closet.site)
    made = paging_set_add(factories.change(closet.site), name="hall", zones=[hall]).result
    with refused("paging_set_zone_is_only_added_to"):
        joined(made, gangway, "work")
    joined(made, gangway, "correction")
    assert set(made.members.values_list("zone_id", flat=True)) == {hall.pk, gangway.pk}


def test_a_zone_that_is_put_into_a_set_stands_as_long_as_the_set(closet: Closet) -> None:
    site = closet.site
    hall, ended = factories.make_zone(site), factories.make_zone(site)
    made = paging_set_add(factories.change(site), name="hall", zones=[hall]).result
    zone_end(factories.change(site), zone=ended)
    for zone in (factories.make_zone(site), ended):
        with refused("paging_set_zone_stands"):
            joined(made, zone, "correction")
    another = factories.make_zone(site)
    short = paging_set_add(factories.change(site), name="short", zones=[hall]).result
    paging_set_end(factories.change(site), paging_set=short)
    zone_end(factories.change(site), zone=another)
    joined(short, another, "correction")
