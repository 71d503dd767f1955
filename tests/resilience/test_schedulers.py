"""Two schedulers and four sweepers at once lose nothing and double nothing.

Zonebook has no process that only schedules: what sweeps, a sweeper or a Celery worker, raises what is due
with each look and marks now and then what an older solver made. So here six do, and two of them do nothing
else, as fast as they can.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

import pytest
from django.db import connection
from django.utils import timezone

from sites.models.changes import Mark
from tests.resilience.conftest import Processes
from tests.resilience.left import (
    BEFORE_IT,
    DAY,
    PAST,
    left_of,
    overloaded,
    overloaded_from_yesterday,
    within_its_limits,
)
from tests.zones.findings.conftest import Quay
from zones.electrical.evaluate import SOLVER_VERSION
from zones.models import DueDate, Figures, SiteCheck
from zones.recheck.recheck_queue import FUTURE_FACT, mark_sites
from zones.recheck.sweep import sweep

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]

SITES = 400
SCHEDULERS, SWEEPERS = 2, 4
ROLES = {
    "asked for": overloaded,
    "due": overloaded_from_yesterday,
    "of an older solver": overloaded,
    "changed": within_its_limits,
}


def test_two_schedulers_and_four_sweepers(
    marks_written: None, processes: Processes, request: pytest.FixtureRequest
) -> None:
    """Meanwhile a quarter of the sites is marked at once; of the others, one is changed, of one a day comes,
    of one the figures turn out to be of an older solver, and so on."""
    each = (SITES if request.config.getoption("--long") else SITES // 10) // len(ROLES)
    fleet = {role: [make() for _ in range(each)] for role, make in ROLES.items()}
    twins = {role: make() for role, make in ROLES.items()}
    assert sweep(now=timezone.now() - BEFORE_IT).checked == len(ROLES) * (each + 1)
    DueDate.objects.update(at=timezone.now() + DAY)
    Figures.objects.update(solver_version=SOLVER_VERSION - 1)
    _ask_for([twins["asked for"]])
    _something_happens_to(twins)
    assert sweep().checked == len(twins)
    undisturbed = {role: left_of(twin.site_id) for role, twin in twins.items()}
    assert all(left["events"]["case.opened"] == 1 for left in undisturbed.values())

    looking = [processes.start("tests.resilience.scheduling") for _ in range(SCHEDULERS)]
    looking += [
        processes.start("tests.resilience.sweeping", "--loop", "--interval", "0.01") for _ in range(SWEEPERS)
    ]
    for process in looking:
        process.until(lambda: _sessions() >= len(looking))
    _ask_for(fleet["asked for"])
    for happening in zip(*fleet.values(), strict=True):
        _something_happens_to(dict(zip(fleet, happening, strict=True)))
    for process in looking:
        process.until(lambda: not (_outdated() or _due() or Mark.objects.exists()))

    for role, quays in fleet.items():
        for quay in quays:
            assert left_of(quay.site_id) == undisturbed[role], role
    days = _marks_written(FUTURE_FACT)
    assert days == Counter(quay.site_id for quay in [*fleet["due"], twins["due"]])


def _ask_for(quays: list[Quay]) -> None:
    """Their figures and all that is known of them is lost."""
    site_ids = [quay.site_id for quay in quays]
    Figures.objects.filter(site_id__in=site_ids).delete()
    mark_sites(site_ids, reason="asked for", lane=Mark.Lane.BULK)


def _something_happens_to(quays: dict[str, Quay]) -> None:
    DueDate.objects.filter(site_id=quays["due"].site_id).update(at=timezone.now())
    older = SiteCheck.objects.filter(pk=quays["of an older solver"].site_id)
    older.update(solver_version=SOLVER_VERSION - 1)
    quays["changed"].add(PAST)


def _sessions() -> int:
    """Number of sessions that others have with this database."""
    with connection.cursor() as cursor:
        cursor.execute(
            """SELECT count(*) FROM pg_stat_activity
               WHERE datname = current_database() AND pid <> pg_backend_pid()
                 AND backend_type = 'client backend'"""
        )
        return int(cursor.fetchone()[0])


def _outdated() -> bool:
    return SiteCheck.objects.filter(solver_version__lt=SOLVER_VERSION).exists()


def _due() -> bool:
    return DueDate.objects.filter(at__lte=timezone.now()).exists()


# --- every mark that was ever written -----------------------------------------------------------------


@pytest.fixture
def marks_written(transactional_db: None) -> Iterator[None]:
    with connection.cursor() as cursor:
        cursor.execute("CREATE TABLE mark_written (site_id bigint, reason text)")
        cursor.execute(
            """CREATE FUNCTION note_mark() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER AS $$
               BEGIN
                   INSERT INTO mark_written VALUES (NEW.site_id, NEW.reason);
                   RETURN NULL;
               END $$"""
        )
        cursor.execute(
            "CREATE TRIGGER note_mark AFTER INSERT ON mark FOR EACH ROW EXECUTE FUNCTION note_mark()"
        )
    yield
    with connection.cursor() as cursor:
        cursor.execute("DROP TRIGGER note_mark ON mark")
        cursor.execute("DROP FUNCTION note_mark")
        cursor.execute("DROP TABLE mark_written")


def _marks_written(reason: str) -> Counter[int]:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT site_id, count(*) FROM mark_written WHERE reason = %s GROUP BY site_id", [reason]
        )
        return Counter(dict(cursor.fetchall()))
