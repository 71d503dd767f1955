"""Sweepers as processes: several at once, stopped by a signal, and what raw SQL wrote."""

from __future__ import annotations

import os
import re
import signal

import pytest
from django.db import connection

from sites.models.changes import Mark
from tests.resilience.conftest import Processes, until_alone
from tests.zones.recheck.conftest import another_connection, make_terminal
from tests.zones.recording import SiteRecord
from zones.electrical.subjects import SubjectKind
from zones.models import Figures, SiteCheck
from zones.recheck.recheck_queue import mark_sites
from zones.recheck.sweep import BATCHES, look_once, sweep

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]


def recomputed(said: str) -> int:
    found = re.search(r"^(\d+) sites? recomputed\. 0 failed\.$", said, re.MULTILINE)
    assert found, said
    return int(found[1])


def thin_sites(count: int) -> list[int]:
    """Sites to be recomputed in the bulk lane, thinner than any channel makes; their ids, in order."""
    record = SiteRecord()
    with connection.cursor() as cursor:
        cursor.execute("ALTER TABLE site DISABLE TRIGGER USER")
        cursor.execute(
            """INSERT INTO site (customer_id, code, name, address, city, postal_code, time_zone, length_unit,
                   design_temperature_c, out_of_hours_phone, induction, permits, dangers, note, change_set_id)
               SELECT customer_id, 'dock-' || n, name, '', '', '', time_zone, 'm', 20, '', '', '', '', '',
                   change_set_id
               FROM site, generate_series(2, %s) AS n""",
            [count],
        )
        cursor.execute("ALTER TABLE site ENABLE TRIGGER USER")
        cursor.execute("DELETE FROM mark WHERE site_id = %s", [record.site_id])
        cursor.execute("SELECT id FROM site ORDER BY id")
        site_ids = [site_id for (site_id,) in cursor.fetchall()]
    mark_sites(site_ids, reason="asked for", lane=Mark.Lane.BULK)
    return site_ids


def test_two_at_once_share_the_sites_and_recompute_none_twice(processes: Processes) -> None:
    count = 3 * BATCHES[Mark.Lane.BULK].most + 1
    thin_sites(count)
    sweepers = [processes.start("tests.resilience.sweeping") for _ in range(2)]
    assert sum(recomputed(sweeper.ended()) for sweeper in sweepers) == count
    assert SiteCheck.objects.count() == count
    assert not Mark.objects.exists()


def test_while_one_is_at_some_sites_another_does_the_rest(processes: Processes) -> None:
    first = make_terminal()
    at_work = processes.start_and_pause("claimed", "tests.resilience.sweeping")
    second = make_terminal()
    assert recomputed(processes.start("tests.resilience.sweeping").ended()) == 1
    assert list(SiteCheck.objects.values_list("site_id", flat=True)) == [second.site_id]
    at_work.kill()
    processes.start("tests.resilience.sweeping", "--loop").until(
        lambda: SiteCheck.objects.filter(pk=first.site_id).exists()
    )


def test_an_interactive_change_waits_for_no_bulk_batch_that_is_not_begun(processes: Processes) -> None:
    """A sweeper is at a bulk batch, and stays there: another takes up what a person changes between any two
    batches, but for what the first one is at."""
    batches = BATCHES[Mark.Lane.BULK]
    taken = batches.fewest  # by a sweeper that does not know yet how long they take
    bulk = thin_sites(taken + 2 * batches.most)
    at_work = processes.start_and_pause("claimed", "tests.resilience.sweeping")
    person = make_terminal()
    mark_sites([bulk[0]], reason="asked for")

    left = bulk[taken:]
    assert looked() == [person.site_id]
    for _ in range(2):
        batch = looked()
        assert batch
        assert batch == left[: len(batch)]
        left = left[len(batch) :]
        person.add_speakers(1)
        assert looked() == [person.site_id]

    at_work.kill()
    until_alone()
    person.add_speakers(1)
    assert looked() == [bulk[0], person.site_id]
    assert looked()[: taken - 1] == bulk[1:taken]


def looked() -> list[int]:
    """The sites of one look."""
    outcome = look_once()
    return outcome.checked if outcome else []


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_told_to_stop_it_ends_what_it_is_at_and_says_what_it_did(
    number: signal.Signals, processes: Processes
) -> None:
    make_terminal()
    sweeper = processes.start("tests.resilience.sweeping", "--loop", "--interval", "30")
    sweeper.until(lambda: not Mark.objects.exists())
    os.kill(sweeper.popen.pid, number)
    assert recomputed(sweeper.ended()) == 1


def test_while_it_waits_it_gives_signs_of_life(processes: Processes) -> None:
    alive = processes.folder / "alive"
    waiting = ("tests.resilience.sweeping", "--loop", "--interval", "3600")
    sweeper = processes.start(*waiting, ZONEBOOK_ALIVE_FILE=str(alive))
    sweeper.until(alive.exists)
    seen = alive.stat().st_mtime_ns
    sweeper.until(lambda: alive.stat().st_mtime_ns > seen)


def test_what_raw_sql_writes_is_rechecked_like_what_a_service_writes(processes: Processes) -> None:
    terminal = make_terminal()
    sweep()
    with another_connection() as other, other.transaction():
        row = other.execute(
            """INSERT INTO change_set (site_id, state, kind, purpose, channel, actor, reason, job_reference,
                   happened_on, quiet, operations, created_at, version)
               VALUES (%s, 'accepted', 'work', 'record', 'sql', 'psql', 'more', '', '2026-03-05', false,
                   '[]', now(), 1) RETURNING id""",
            [terminal.site_id],
        ).fetchone()
        assert row is not None
        other.execute("SELECT set_config('zonebook.change_set', %s, true)", [str(row[0])])
        other.execute(
            """WITH last AS (
                   SELECT DISTINCT ON (f.run_id) f.* FROM point_facts f WHERE run_id = %s
                   ORDER BY f.run_id, f.rank DESC
               ), added AS (
                   INSERT INTO point (site_id, run_id, rank, name)
                   SELECT site_id, run_id, rank + n, 'added ' || n FROM last, generate_series(1, 14) AS n
                   RETURNING id, site_id, run_id, rank
               )
               INSERT INTO point_facts (site_id, point_id, run_id, rank, parent_id, parent_rank, kind,
                   device_kind, model_id, place, length_m, length_basis, cable_type_id, dc_pairs,
                   negative_cut, current_basis, tap_basis)
               SELECT added.site_id, added.id, added.run_id, added.rank, last.point_id, last.rank, last.kind,
                   last.device_kind, last.model_id, '', 5, 4, last.cable_type_id, 1, false, 4, 0
               FROM added, last""",
            [terminal.runs[0].pk],
        )
    assert recomputed(processes.start("tests.resilience.sweeping").ended()) == 1
    row_of_supply = Figures.objects.get(subject_kind=SubjectKind.SUPPLY, subject_id=terminal.supply.pk)
    likely = row_of_supply.likely[row_of_supply.codes.index("supply_current")]
    assert likely == pytest.approx(34 * 0.05)
