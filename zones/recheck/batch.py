"""The recheck of a batch of sites: one snapshot read, evaluated, compared, written.

What is found is a function of the record and of the day, never of when or how often a recheck ran.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

import numpy as np
import structlog
from django.db import DatabaseError, OperationalError, connection, transaction
from psycopg import errors

from sites.changes.steps import first_step_after
from sites.snapshot import snapshot
from zones.electrical.bearing import bearing
from zones.electrical.calibration import anchor
from zones.electrical.evaluate import SOLVER_VERSION, evaluate
from zones.electrical.plant import Members
from zones.electrical.point_loads import point_loads
from zones.limits.registry import RULES
from zones.models import SiteCheck
from zones.models.findings import LONGEST_REASON
from zones.plant.selectors import read_plant
from zones.recheck import checked as registered
from zones.recheck.checked import Checked
from zones.recheck.due_tests import write_due_tests
from zones.recheck.expected import write_expected
from zones.recheck.recheck_queue import (
    delete_marks,
    future_facts,
    marked_sites,
    set_aside,
    write_due_dates,
)
from zones.recheck.stored_results import without_repeats, write_bearing, write_figures

log = structlog.get_logger(__name__)

SNAPSHOT_TRIES = 5
FIRST_PAUSE = dt.timedelta(minutes=1)
LONGEST_PAUSE = dt.timedelta(hours=6)


@dataclass
class Outcome:
    """Sites that were rechecked, and those that could not be, with the reason."""

    checked: list[int] = field(default_factory=list)
    failed: dict[int, str] = field(default_factory=dict)


def recheck(site_ids: Sequence[int], *, now: dt.datetime | None = None) -> Outcome:
    """Recompute the marked ones of these sites. The caller has claimed them (``claims``).

    1. Sites that failed last time go one by one, so that they spoil no batch.
    2. The others go in one transaction (``check``), again from its beginning where another transaction got in
       between. If anything in it raises, they go one by one, so that one failure stops no other site.
    3. A site that raises alone is noted (``_note_failure``): its marks are kept but set aside, it is tried
       again later and later, and listeners are given the reason.
    4. A lost connection is not a failure of a site. It took the claims with it, so this raises, even where
       Django has already made another one.

    now: None: the clock of the database.
    """
    outcome = Outcome()
    failed_before = set(
        SiteCheck.objects.filter(site_id__in=site_ids, failures__gt=0).values_list("site_id", flat=True)
    )
    session = connection.connection
    batches = [[site_id for site_id in site_ids if site_id not in failed_before]]
    batches += [[site_id] for site_id in site_ids if site_id in failed_before]
    while batches:
        if connection.connection is not session:
            raise OperationalError("the connection that held the claims is lost")
        batch = batches.pop(0)
        marks: list[int] = []
        try:
            outcome.checked += _check_in_snapshot(batch, now, marks)
        except Exception as error:
            if connection.connection is not session or not connection.is_usable():
                raise
            if len(batch) > 1:
                batches += [[site_id] for site_id in batch]
            else:
                outcome.failed[batch[0]] = _note_failure(batch[0], error, marks, now)
    return outcome


def check(
    site_ids: Sequence[int], *, now: dt.datetime | None = None, marks: list[int] | None = None
) -> Checked | None:
    """Recompute the marked ones of these sites in the caller's transaction; None where there is none.

    1. Read the marks. Sites without any are left alone: they were recomputed before they were claimed.
    2. Read the plant, and evaluate each site as of the end of its today: what is dated later is not yet.
    3. Write the figures that differ, what bears on which zone, what tests should have read, and when each run
       is to be tested again.
    4. Call the listeners, and write the days on which time alone will change the result.
    5. Delete the marks that were read in step 1. One that is committed meanwhile is not seen, so it stays.

    All of it rests on one snapshot (REPEATABLE READ): where a mark is seen, the rows that it was written with
    are seen as well. ``marks``: is given the ids of the marks that were read, even if this raises.
    """
    marks = [] if marks is None else marks
    found = marked_sites(site_ids)
    for site in found:
        marks += site.marks
    if not found:
        return None
    now = now or found[0].read_at
    zones = {site.id: ZoneInfo(site.time_zone) for site in found if site.time_zone is not None}
    sites = [site for site in found if site.id in zones]
    plant = read_plant(list(zones))
    as_of = [now.astimezone(zone).date() for zone in zones.values()]
    members = Members.of_sites(plant, np.array([first_step_after(day) - 1 for day in as_of], np.int64))
    anchoring = anchor(plant, point_loads(plant))
    evaluation = without_repeats(evaluate(plant, members, RULES, anchoring=anchoring))
    checked = Checked(
        site_id=tuple(zones),
        plant=plant,
        members=members,
        evaluation=evaluation,
        anchoring=anchoring,
        as_of=tuple(as_of),
        now=now,
        surveyed_on=tuple([site.surveyed_on for site in sites]),
        commissioned_on=tuple([site.commissioned_on for site in sites]),
        solver_before=tuple([site.solver_version for site in sites]),
        checked_before=tuple([site.checked_at for site in sites]),
        newly_outside=write_expected(plant, anchoring),
    )
    write_figures(plant, evaluation, as_of, now)
    write_bearing(plant, bearing(plant, members))
    tests_fall_due = write_due_tests(checked)
    for listener in registered.checked_listeners:
        listener(checked)
    due = [*future_facts(checked), *tests_fall_due]
    for source in registered.due_sources:
        due += source(checked)
    write_due_dates(due, zones, now)
    delete_marks(marks)
    _note_success(checked)
    return checked


def _check_in_snapshot(site_ids: Sequence[int], now: dt.datetime | None, marks: list[int]) -> list[int]:
    for tries_left in reversed(range(SNAPSHOT_TRIES)):
        marks.clear()
        try:
            with snapshot():
                checked = check(site_ids, now=now, marks=marks)
        except DatabaseError as error:
            got_in_between = isinstance(
                error.__cause__, errors.SerializationFailure | errors.DeadlockDetected
            )
            if not got_in_between or not tries_left:
                raise
            log.info("recheck begins again", sites=len(site_ids), why=str(error).strip())
        else:
            return list(checked.site_id) if checked else []
    raise AssertionError("unreachable")


def _note_success(checked: Checked) -> None:
    problems = np.bincount(
        np.array([problem.member for problem in checked.evaluation.problems], np.int64),
        minlength=len(checked.site_id),
    )
    with connection.cursor() as cursor:
        cursor.execute(
            """INSERT INTO site_check (
                   site_id, as_of, not_computed, checked_at, solver_version, failures, last_error,
                   next_attempt_at
               )
               SELECT site_id, as_of, not_computed, %s, %s, 0, '', NULL
               FROM unnest(%s::bigint[], %s::date[], %s::int[]) AS checked(site_id, as_of, not_computed)
               ON CONFLICT (site_id) DO UPDATE SET
                   as_of = excluded.as_of, not_computed = excluded.not_computed,
                   checked_at = excluded.checked_at, solver_version = excluded.solver_version,
                   failures = 0, last_error = '', next_attempt_at = NULL""",
            [checked.now, SOLVER_VERSION, list(checked.site_id), list(checked.as_of), problems.tolist()],
        )


def _note_failure(site_id: int, error: Exception, marks: Sequence[int], now: dt.datetime | None) -> str:
    """Store why a site could not be computed, and when it is tried again; call the listeners. Returns why.

    1. The failure and the marks' lane are one transaction: the marks are there for the next attempt.
    2. Listeners are called in another: where one raises it is logged, and all are called again after the next
       attempt.
    """
    text = " ".join(str(error).split())
    reason = f"{type(error).__name__}: {text}"[:LONGEST_REASON] if text else type(error).__name__
    log.error("a site cannot be computed", site_id=site_id, exc_info=error)
    with transaction.atomic():
        if now is None:
            with connection.cursor() as cursor:
                cursor.execute("SELECT clock_timestamp()")
                (now,) = cursor.fetchone()
        failures = SiteCheck.objects.filter(pk=site_id).values_list("failures", flat=True).first() or 0
        pause = min(FIRST_PAUSE * 2 ** min(failures, 20), LONGEST_PAUSE)
        SiteCheck.objects.update_or_create(
            site_id=site_id,
            defaults={"failures": failures + 1, "last_error": reason, "next_attempt_at": now + pause},
        )
        set_aside(marks)
    _notify_failed(site_id, reason, now)
    return reason


def _notify_failed(site_id: int, reason: str, now: dt.datetime) -> None:
    try:
        with transaction.atomic():
            for listener in registered.failed_listeners:
                listener(site_id, reason, now)
    except Exception:
        log.exception("a listener to a failed recheck raised", site_id=site_id)
