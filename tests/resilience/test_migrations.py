"""A fleet is brought from one release to the next, and back, while the release that wrote it serves: no
reader meets an error, no writer more than "try again", and no wait for a lock is longer than promised.

The old release is its own code, out of the repository's history; before the first release the present code
stands for it. The new one is the present code with the migrations of a made-up next release. Without
``--long`` a small fleet, and the last step of the chain; a slow machine needs ``-o
faulthandler_timeout=3600`` for the whole.
"""

from __future__ import annotations

import re
import threading
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import psycopg
import pytest

from api.database import cluster
from api.database.lock_guard import LONGEST_WAIT_S
from api.database.releases import RELEASES, Release
from tests.api.database.lock_waits import LockWaits, Wait
from tests.api.database.test_releases import code_of
from tests.api.demo.conftest import data_folder
from tests.resilience.conftest import ROOT
from tests.resilience.http_readers import READERS, Extender, Reader, extended_whole, wait_for_rounds
from tests.resilience.http_writers import (
    Writer,
    all_recomputed,
    session_of,
    what_came_of,
    whole_or_not_at_all,
)
from tests.resilience.release_code import Code

pytestmark = pytest.mark.slow

SITES, SITES_LONG = 100, 5_000
ROUNDS, ROUNDS_LONG = 1, 10
WRITERS, WRITERS_LONG = 1, 2
"""Writers of each kind."""
EXAMPLES = "upgrading"
NEXT = ("--settings", "tests.resilience.upgrading.settings")
MAKE_TOKEN = """
from sites.models.access import User
from sites.access.services import token_make
user = User.objects.create(username="mara", role=User.Role.MANAGER, all_customers=True)
print(token_make(user=user, scopes=["record:read", "record:write", "findings:write"])[1])
"""


@pytest.mark.parametrize(
    ("release", "following"),
    [*pairwise(RELEASES), (RELEASES[-1] if RELEASES else None, None)],
    ids=lambda each: each.version if each else "present",
)
def test_an_upgrade_stops_nobody(
    release: Release | None, following: Release | None, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    long = request.config.getoption("--long")
    if following and not long:
        pytest.skip("earlier steps of the chain are taken with --long")
    rounds = ROUNDS_LONG if long else ROUNDS
    writers = WRITERS_LONG if long else WRITERS
    (tmp_path / "logs").mkdir()
    with data_folder() as data:
        old_code = code_of(release.commit, tmp_path / "old") if release else ROOT
        old = Code(old_code, data, tmp_path / "logs")
        new = Code(ROOT, data, tmp_path / "logs")
        headers = _fleet(old, SITES_LONG if long else SITES)
        with session_of(data) as session, old.serving() as url:
            heads = _applied(session)
            assert release is None or heads == release.heads
            with (
                _load(url, headers, writers) as load,
                LockWaits(lambda: _another(session, cluster.OWNER)) as waits,
            ):
                wait_for_rounds(load.readers, rounds)
                _upgrade(new, following, session, waits)
                wait_for_rounds(load.readers, rounds)
                # The release before cannot read findings of limits that are new: sweepers are replaced last
                with new.serving(sweeping=False) as other:
                    load.read_from(other, url)
                    wait_for_rounds(load.readers, rounds)
                    load.read_from(url)
                    wait_for_rounds(load.readers, 1)
                _downgrade(new, heads, session)
                wait_for_rounds(load.readers, rounds)
            all_recomputed(session)
            whole_or_not_at_all(session, load.closets)
            extended_whole(session, load.extended)
            _as_released(session, heads)
        _nobody_waited_long(waits)


# --- what goes on meanwhile -------------------------------------------------------------------------------


def _fleet(code: Code, sites: int) -> dict[str, str]:
    """A fleet that has been rechecked; what a program sends along."""
    code.manage("migrate", "--verbosity", "0")
    code.manage("fleet", "--sites", str(sites), "--verbosity", "0")
    code.manage("sweep")
    return {"Authorization": f"Bearer {code.manage('shell', '-v', '0', '-c', MAKE_TOKEN).split()[-1]}"}


@dataclass
class Load:
    readers: list[Reader]
    closets: set[str]
    extended: set[str]

    def read_from(self, *urls: str) -> None:
        for number, reader in enumerate(self.readers):
            reader.url = urls[number % len(urls)]


@contextmanager
def _load(url: str, headers: dict[str, str], writers: int) -> Iterator[Load]:
    """Readers and writers, until the block ends; then nothing may have been amiss."""
    over = threading.Event()
    load = Load([Reader(number, url, headers, over) for number in range(READERS)], set(), set())
    adding = [Writer(number, f"{url}/api/v1", headers, over) for number in range(writers)]
    extending = [Extender(number, f"{url}/api/v1", headers, over) for number in range(2, 2 + writers)]
    threads = [*load.readers, *adding, *extending]
    for thread in threads:
        thread.start()
    try:
        yield load
    finally:
        over.set()
        for thread in threads:
            thread.join()
    assert not [reader.amiss for reader in load.readers if reader.amiss]
    print(f"readers: {dict(sum((reader.answers for reader in load.readers), Counter()))}")
    _, load.closets = what_came_of(adding)
    _, load.extended = what_came_of(extending)
    assert load.closets
    assert load.extended


# --- from release to release ------------------------------------------------------------------------------


def _upgrade(
    code: Code, following: Release | None, session: psycopg.Connection[Any], waits: LockWaits
) -> None:
    """To the following release, or to the present. Begun behind somebody who reads for long, until others
    have met it there: it has to come back."""
    first, *more = [[EXAMPLES], *map(list, following.heads.items())] if following else [[]]
    long_reader = _another(session, cluster.SERVICE)
    long_reader.execute("SELECT count(*) FROM point")
    migrate = code.start("manage.py", "migrate", *NEXT, *first)
    # An earlier migration may meet other locks, of the load
    behind = "upgrading.0001_columns waits for locks"
    migrate.until(lambda: behind in migrate.said and bool(_of_the_service(_for_a_migration(waits))))
    long_reader.close()
    said = migrate.ended() + "".join(code.manage("migrate", *NEXT, *target) for target in more)
    print(said)
    # What it says on standard error may come in between; another migration may not
    assert re.search(r"upgrading\.0001_columns\.\.\.(?:(?!Applying ).)*not yet", said, re.DOTALL)


def _downgrade(code: Code, heads: dict[str, str], session: psycopg.Connection[Any]) -> None:
    print(code.manage("migrate", *NEXT, EXAMPLES, "zero"))
    for app, head in heads.items():
        if _applied(session)[app] != head:
            print(code.manage("migrate", *NEXT, app, head))


# --- what came of it --------------------------------------------------------------------------------------


def _nobody_waited_long(waits: LockWaits) -> None:
    found = _for_a_migration(waits)
    print(f"{waits.looks} looks, {len(found)} waits for migrations: {_shown(found[:5])}")
    print(f"other waits: {_shown([wait for wait in waits.seen() if wait not in found][:3])}")
    longest = _of_the_service(found)[0]
    # A machine that is busy with other tests looks late, and more so a slow one; without the guard somebody
    # waits as long as the long reader reads
    assert longest.seconds <= 4 * LONGEST_WAIT_S, longest


def _for_a_migration(waits: LockWaits) -> list[Wait]:
    """Behind one, or for a lock that only a migration takes against a reader."""
    return [wait for wait in waits.seen() if cluster.OWNER in wait.behind or wait.kind == "relation"]


def _of_the_service(waits: list[Wait]) -> list[Wait]:
    return [wait for wait in waits if wait.role == cluster.SERVICE]


def _shown(waits: list[Wait]) -> str:
    return "; ".join(f"{w.seconds:.3f} s {w.role} {w.mode} {w.table or w.kind}" for w in waits)


def _as_released(session: psycopg.Connection[Any], heads: dict[str, str]) -> None:
    """Back at the heads of the release, and nothing of what came after is left."""
    assert _applied(session) == heads
    columns = session.execute(
        "SELECT count(*) FROM information_schema.columns WHERE column_name IN ('walked_by', 'walks')"
    ).fetchone()
    assert columns == (0,)


def _applied(session: psycopg.Connection[Any]) -> dict[str, str]:
    """App: its last migration."""
    return dict(session.execute("SELECT app, max(name) FROM django_migrations GROUP BY app").fetchall())


def _another(session: psycopg.Connection[Any], role: str) -> psycopg.Connection[Any]:
    known: dict[str, Any] = {**session.info.get_parameters(), "user": role, "password": session.info.password}
    return psycopg.connect(**known)
