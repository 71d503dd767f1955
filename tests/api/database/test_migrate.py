"""`manage.py migrate` gives way to readers and writers, tries again, and says so."""

from __future__ import annotations

import io
import re
import threading
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psycopg
import pytest
from django.core.management import CommandError, call_command
from django.db import IntegrityError, OperationalError, connection
from pytest_django import Settings

from api.database.lock_guard import LONGEST_WAIT_S
from api.management.commands import migrate
from api.management.commands.migrate import GAVE_UP
from tests.api.database.lock_waits import LockWaits

pytestmark = pytest.mark.django_db(transaction=True)

LONG_S = 60.0
APP = "upgraded"
HEAD = "from django.db import migrations\n\n\nclass Migration(migrations.Migration):\n"


class Upgrade:
    """An app whose migrations a test writes, in a database whose locks it holds."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.said = io.StringIO()

    def add(self, name: str, *sql: str, back: str = "", atomic: bool = True) -> None:
        before = sorted(self.folder.glob("0*.py"))
        after = [(APP, before[-1].stem)] if before else []
        operations = "".join(f"        migrations.RunSQL({each!r}, {back!r}),\n" for each in sql)
        (self.folder / f"{name}.py").write_text(
            f"{HEAD}    atomic = {atomic}\n    dependencies = {after}\n    operations = [\n{operations}    ]"
        )

    def migrate(self, *words: str, patience: float = LONG_S, **options: bool) -> None:
        stated = {"stdout": self.said, "stderr": self.said}
        call_command("migrate", APP, *words, database="default", patience=patience, **stated, **options)

    @contextmanager
    def migrating(self) -> Iterator[None]:
        """Migrate in a thread of its own while the block runs, which it may outlast."""
        amiss: list[BaseException] = []

        def go() -> None:
            try:
                self.migrate()
            except BaseException as error:  # noqa: BLE001 - raised below
                amiss.append(error)
            finally:
                connection.close()

        thread = threading.Thread(target=go)
        thread.start()
        try:
            yield
        finally:
            thread.join(LONG_S)
        assert not thread.is_alive()
        if amiss:
            raise amiss[0]


@pytest.fixture
def upgrade(tmp_path: Path, settings: Settings, monkeypatch: pytest.MonkeyPatch) -> Iterator[Upgrade]:
    package = f"upgraded_{uuid.uuid4().hex}"  # modules are remembered by their name
    folder = tmp_path / package
    folder.mkdir()
    (folder / "__init__.py").touch()
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.setattr(migrate, "FIRST_PAUSE_S", 0.1)
    settings.INSTALLED_APPS = [*settings.INSTALLED_APPS, "tests.api.database.upgraded"]
    settings.MIGRATION_MODULES = {APP: package}
    with connection.cursor() as cursor:
        cursor.execute("CREATE TABLE large AS SELECT id, id AS rank FROM generate_series(1, 1000) id")
        cursor.execute("CREATE TABLE other (id int)")
    yield Upgrade(folder)
    with connection.cursor() as cursor:
        cursor.execute("DROP TABLE IF EXISTS large, other")
        cursor.execute("DELETE FROM django_migrations WHERE app = %s", [APP])


@pytest.fixture
def session() -> Iterator[Callable[[], psycopg.Connection[Any]]]:
    """Sessions of other users."""
    opened: list[psycopg.Connection[Any]] = []

    def open_one() -> psycopg.Connection[Any]:
        opened.append(connection.get_new_connection(connection.get_connection_params()))
        return opened[-1]

    yield open_one
    for each in opened:
        each.close()


Sessions = Callable[[], psycopg.Connection[Any]]


def wait_until(true: Callable[[], Any], session: psycopg.Connection[Any]) -> None:
    for _ in range(int(LONG_S / 0.01)):
        if true():
            return
        session.execute("SELECT pg_sleep(0.01)")
    pytest.fail(f"waited for {LONG_S} s")


def test_behind_a_long_reader_it_lets_others_pass_and_comes_back(upgrade: Upgrade, session: Sessions) -> None:
    upgrade.add("0001_note", "ALTER TABLE large ADD note text")
    long_reader, reader = session(), session()
    long_reader.execute("SELECT count(*) FROM large")
    reader.autocommit = True
    with upgrade.migrating(), LockWaits(session) as waits:
        while upgrade.said.getvalue().count("Trying again") < 3:
            reader.execute("SELECT count(*) FROM large")
        long_reader.commit()
    assert 0.1 < _longest_wait_s(waits, reader) < LONGEST_WAIT_S
    assert reader.execute("SELECT note FROM large LIMIT 1").fetchone() == (None,)
    said = upgrade.said.getvalue()
    pid = long_reader.info.backend_pid
    assert "Applying upgraded.0001_note... not yet" in said
    assert re.search(rf"waits for locks.*\n  large: process {pid} \(.*SELECT count\(\*\) FROM large", said), (
        said
    )
    assert "Applying upgraded.0001_note... OK" in said


def _longest_wait_s(waits: LockWaits, reader: psycopg.Connection[Any]) -> float:
    waited = [wait.seconds for wait in waits.seen() if wait.pid == reader.info.backend_pid]
    assert waited, "it never waited"
    return waited[0]


def test_with_several_locks_to_wait_for_the_work_waits_no_longer(upgrade: Upgrade, session: Sessions) -> None:
    """Each lock alone comes in time, and the work takes long once they are there."""
    upgrade.add(
        "0001_notes",
        "ALTER TABLE large ADD note text",
        "DO $$ BEGIN IF EXISTS (SELECT FROM other) THEN PERFORM pg_sleep(30); END IF; END $$",
    )
    reader = session()
    reader.autocommit = True
    reader.execute("INSERT INTO other VALUES (1)")
    with upgrade.migrating(), LockWaits(session) as waits:
        while "was stopped: a session had waited" not in upgrade.said.getvalue():
            reader.execute("SELECT count(*) FROM large")
        reader.execute("DELETE FROM other")
    assert 0.1 < _longest_wait_s(waits, reader) < LONGEST_WAIT_S
    assert reader.execute("SELECT note FROM large LIMIT 1").fetchone() == (None,)


def test_work_that_nobody_waits_for_is_not_stopped(upgrade: Upgrade) -> None:
    upgrade.add("0001_note", "ALTER TABLE large ADD note text", "SELECT pg_sleep(1)")
    upgrade.migrate(patience=0)
    assert "Trying again" not in upgrade.said.getvalue()


def test_it_gives_up_with_a_status_of_its_own(upgrade: Upgrade, session: Sessions) -> None:
    upgrade.add("0001_other", "ALTER TABLE other ADD note text")
    upgrade.add("0002_note", "ALTER TABLE large ADD note text")
    holder = session()
    holder.execute("LOCK TABLE large IN ACCESS SHARE MODE")
    with pytest.raises(CommandError, match=r"Given up after \d+ tries in 1 s") as raised:
        upgrade.migrate(patience=1)
    assert raised.value.returncode == GAVE_UP == 75
    assert f"process {holder.info.backend_pid}" in str(raised.value)
    assert holder.execute("SELECT note FROM other").fetchall() == [], "what came before it stays"
    holder.commit()
    upgrade.migrate(patience=0)
    assert holder.execute("SELECT note FROM large LIMIT 1").fetchone() == (None,)


def test_what_fails_for_its_own_reasons_fails_at_once(upgrade: Upgrade) -> None:
    upgrade.add("0001_slow", "SET LOCAL statement_timeout = '10ms'", "SELECT pg_sleep(30)")
    with pytest.raises(OperationalError, match="statement timeout"):
        upgrade.migrate()
    assert "Trying again" not in upgrade.said.getvalue()


def test_an_index_built_beside_the_work_waits_for_its_end(upgrade: Upgrade, session: Sessions) -> None:
    upgrade.add("0001_index", "CREATE INDEX CONCURRENTLY large_ranked ON large (rank)", atomic=False)
    writer, looker = session(), session()
    looker.autocommit = True
    writer.execute("UPDATE large SET rank = 0 WHERE id = 1")
    with upgrade.migrating():
        wait_until(lambda: _indexes(looker), looker)
        looker.execute("SELECT pg_sleep(%s)", [3 * LONGEST_WAIT_S])
        looker.execute("UPDATE large SET rank = 0 WHERE id = 2")
        assert _indexes(looker) == [("large_ranked", False)]
        writer.commit()
    assert _indexes(looker) == [("large_ranked", True)]
    assert "Trying again" not in upgrade.said.getvalue()


def _indexes(session: psycopg.Connection[Any]) -> list[tuple[Any, ...]]:
    return session.execute(
        "SELECT indexrelid::regclass::text, indisvalid FROM pg_index WHERE indrelid = 'large'::regclass"
    ).fetchall()


def test_an_index_that_was_cut_off_is_built_again(upgrade: Upgrade, session: Sessions) -> None:
    upgrade.add("0001_index", "CREATE UNIQUE INDEX CONCURRENTLY large_ranked ON large (rank)", atomic=False)
    looker = session()
    looker.autocommit = True
    looker.execute("UPDATE large SET rank = 1 WHERE id = 2")
    with pytest.raises(IntegrityError, match="could not create unique index"):
        upgrade.migrate()
    assert _indexes(looker) == [("large_ranked", False)]
    looker.execute("UPDATE large SET rank = 2 WHERE id = 2")
    upgrade.migrate()
    assert _indexes(looker) == [("large_ranked", True)]


def test_nor_does_one_that_is_cut_off_on_the_way_back_stay(upgrade: Upgrade, session: Sessions) -> None:
    build = "CREATE UNIQUE INDEX CONCURRENTLY large_ranked ON large (rank)"
    upgrade.add("0001_none", "DROP INDEX CONCURRENTLY IF EXISTS large_ranked", back=build, atomic=False)
    upgrade.migrate()
    looker = session()
    looker.autocommit = True
    looker.execute("UPDATE large SET rank = 1 WHERE id = 2")
    with pytest.raises(IntegrityError, match="could not create unique index"):
        upgrade.migrate("zero")
    assert _indexes(looker) == [("large_ranked", False)]
    looker.execute("UPDATE large SET rank = 2 WHERE id = 2")
    upgrade.migrate("zero")
    assert _indexes(looker) == [("large_ranked", True)]


def test_two_at_once_migrate_one_after_the_other(upgrade: Upgrade, session: Sessions) -> None:
    upgrade.add("0001_note", "ALTER TABLE large ADD note text")
    first = session()
    first.autocommit = True
    first.execute("SELECT pg_advisory_lock(hashtext('zonebook migrate'))")
    with upgrade.migrating():
        wait_until(lambda: "Another migration of this database is running" in upgrade.said.getvalue(), first)
        assert "Applying" not in upgrade.said.getvalue()
        first.execute("SELECT pg_advisory_unlock_all()")
    assert "Applying upgraded.0001_note... OK" in upgrade.said.getvalue()


def test_the_record_of_a_migration_is_written_with_it(upgrade: Upgrade, session: Sessions) -> None:
    """Nothing can come between them, such as a cancel that is a moment late."""
    upgrade.add("0001_note", "ALTER TABLE large ADD note text")
    holder = session()
    holder.execute("LOCK TABLE django_migrations IN SHARE MODE")
    with pytest.raises(CommandError):
        upgrade.migrate(patience=0)
    holder.commit()
    with pytest.raises(psycopg.errors.UndefinedColumn):
        holder.execute("SELECT note FROM large")


@pytest.mark.parametrize(("option", "said"), [("plan", "ALTER TABLE"), ("fake", "FAKED")])
def test_djangos_options_are_kept(upgrade: Upgrade, session: Sessions, option: str, said: str) -> None:
    upgrade.add("0001_note", "ALTER TABLE large ADD note text")
    upgrade.migrate(**{option: True})
    assert said in upgrade.said.getvalue()
    with pytest.raises(psycopg.errors.UndefinedColumn):
        session().execute("SELECT note FROM large")


def test_a_look_changes_nothing_and_ends_as_django_has_it(upgrade: Upgrade, session: Sessions) -> None:
    upgrade.add("0001_note", "ALTER TABLE large ADD note text")
    with pytest.raises(SystemExit, match="1"):
        upgrade.migrate(check_unapplied=True)
    with pytest.raises(psycopg.errors.UndefinedColumn):
        session().execute("SELECT note FROM large")


def test_back_again(upgrade: Upgrade) -> None:
    upgrade.add("0001_note", "ALTER TABLE large ADD note text")
    upgrade.migrate()
    upgrade.migrate("zero")
    assert "Unapplying upgraded.0001_note... OK" in upgrade.said.getvalue()
