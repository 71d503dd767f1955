"""A fleet in the record: through change sets, change rows and marks, and with zones as they were meant."""

from __future__ import annotations

import datetime as dt
import json
from collections import Counter
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import connection, transaction

from sites.changes.models import Change, ChangeSet, Mark
from sites.models import Site
from zones.electrical.verdicts import Verdict
from zones.fleet.plan import plan_batch
from zones.fleet.tables import TARGETS
from zones.fleet.writer import FleetExistsError, Written, write_fleet
from zones.models import PointFacts
from zones.planning.bearing import subjects_of_zones
from zones.planning.loads import site_loads

pytestmark = pytest.mark.django_db

TODAY = dt.date(2026, 11, 25)


def rows_without_ids() -> dict[str, list[Any]]:
    """All rows of the fleet's tables, but for ids, references and steps, in an order that no id decides."""
    found: dict[str, list[Any]] = {}
    with connection.cursor() as cursor:
        for target in TARGETS:
            plain = [column for column in target.columns if not column.endswith("_id")]
            if plain:
                listed = ", ".join(plain)
                cursor.execute(f'SELECT {listed} FROM "{target.table}"')
                found[target.table] = sorted(cursor.fetchall(), key=repr)
    return found


def test_the_same_seed_writes_the_same_rows() -> None:
    written = []
    for _ in range(2):
        with transaction.atomic():
            counts = write_fleet(sites=4, seed=9)
            written.append((counts, rows_without_ids()))
            transaction.set_rollback(True)
    assert written[0] == written[1]
    assert written[0][0].points > 500


def test_what_is_written_is_what_was_planned() -> None:
    told: list[Written] = []
    total = write_fleet(sites=103, seed=2, on_batch=told.append)
    batches = [plan_batch(2, 0), plan_batch(2, 1).beginning(3)]
    with connection.cursor() as cursor:
        for target in TARGETS:
            cursor.execute(f'SELECT count(*) FROM "{target.table}"')
            planned = sum(batch.count(target.source) for batch in batches)
            assert cursor.fetchone()[0] == planned, target.table
    assert [written.sites for written in told] == [100, 3]
    assert total == told[0] + told[1]


def test_the_change_record_holds_every_row_and_every_site_is_marked() -> None:
    write_fleet(sites=20, seed=4)
    of_sites = ChangeSet.objects.exclude(site=None)
    assert of_sites.exclude(state=ChangeSet.State.ACCEPTED).count() == 0
    changes = Change.objects.exclude(site=None)
    assert set(changes.values_list("operation", flat=True)) == {"insert"}
    with connection.cursor() as cursor:
        for target in TARGETS:
            cursor.execute(
                f"""
                WITH told AS (
                    SELECT jsonb_array_elements(new_rows) FROM change WHERE table_name = '{target.table}'
                ), there AS (
                    SELECT jsonb_strip_nulls(to_jsonb(written)) FROM "{target.table}" AS written
                ), differing AS (
                    (TABLE told EXCEPT ALL TABLE there) UNION ALL (TABLE there EXCEPT ALL TABLE told)
                )
                SELECT (SELECT count(*) FROM told), (SELECT count(*) FROM differing),
                       (SELECT sum(row_count) FROM change WHERE table_name = '{target.table}')
                """
            )
            rows, differing, counted = cursor.fetchone()
            assert rows == counted > 0, target.table
            assert differing == 0, target.table
    marked = set(Mark.objects.values_list("site", "lane"))
    assert marked >= {(pk, Mark.Lane.BULK) for pk in Site.objects.values_list("pk", flat=True)}
    assert all(change_set.quiet for change_set in of_sites)


def test_corrections_reach_back_and_work_does_not() -> None:
    write_fleet(sites=60, seed=4)
    rows = PointFacts.objects.select_related("change_set").filter(change_set__kind="correction")
    assert rows.exists()
    for row in rows:
        assert row.change_set.step is not None
        assert row.step < row.change_set.step


@pytest.mark.slow
def test_zones_stand_as_they_were_meant_to() -> None:
    """About 2 % past a limit, 6 % near one, and 10 % known too little of to tell."""
    write_fleet(sites=200, seed=1)
    verdicts = [v for pk in Site.objects.values_list("pk", flat=True) for v in verdicts_of_zones(pk)]
    shares = {verdict: count / len(verdicts) for verdict, count in Counter(verdicts).items()}
    assert 0.015 < shares[Verdict.PAST] + shares[Verdict.PROBABLY_PAST] < 0.025
    assert 0.05 < shares[Verdict.NEAR] < 0.07
    assert 0.08 < shares[Verdict.CANNOT_TELL] < 0.12


def verdicts_of_zones(site_id: int) -> list[Verdict]:
    """Of each zone of a site, the worst of all that bears on it."""
    loads = site_loads(site_id, TODAY)
    assert not loads.problems
    return [max(load.verdict for load in loads.of(one)) for one in subjects_of_zones(loads).values()]


def test_a_second_fleet_is_refused() -> None:
    write_fleet(sites=2, seed=1)
    with pytest.raises(FleetExistsError, match="fleet-"):
        write_fleet(sites=2, seed=2)


def test_the_command_says_what_it_wrote(capsys: pytest.CaptureFixture[str]) -> None:
    call_command("fleet", sites=3, seed=5, workers=1, json=True, verbosity=0)
    summary = json.loads(capsys.readouterr().out)
    assert summary["sites"] == Site.objects.count() == 3
    with pytest.raises(CommandError, match="without one"):
        call_command("fleet", sites=3, seed=5, workers=1, verbosity=0)


@pytest.mark.parametrize("sites", ["0", "many", "-4", "2.5"])
def test_the_command_says_what_a_number_of_sites_is(sites: str) -> None:
    with pytest.raises(CommandError, match="whole number from 1"):
        call_command("fleet", "--sites", sites)


@pytest.mark.django_db(transaction=True)
def test_several_connections_write_the_same_fleet() -> None:
    write_fleet(sites=101, seed=8, workers=2)
    batches = [plan_batch(8, 0), plan_batch(8, 1).beginning(1)]
    assert PointFacts.objects.count() == sum(batch.count("point_facts") for batch in batches)
    assert Site.objects.filter(code="fleet-00100").exists()
