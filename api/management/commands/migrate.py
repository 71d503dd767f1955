"""`manage.py migrate`, as the role that owns the tables, while the service runs."""

from __future__ import annotations

import os
import random
import time
from contextlib import ExitStack, closing
from typing import Any

import psycopg
from django.conf import settings
from django.core.management.base import CommandError, CommandParser
from django.core.management.commands.migrate import Command as MigrateCommand
from django.db import OperationalError, connections
from django.db.migrations import Migration

from api.database.lock_guard import LockGuard
from api.database.roles import grant_service
from api.management.commands.makemigrations import Autodetector

PATIENCE_S = 900
FIRST_PAUSE_S, LONGEST_PAUSE_S, PAUSES_GROW = 0.5, 20.0, 1.4
GAVE_UP = os.EX_TEMPFAIL  # sysexits.h: try again later


class Command(MigrateCommand):
    autodetector = Autodetector

    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        parser.set_defaults(database="owner")
        parser.add_argument(
            "--patience", type=float, default=PATIENCE_S, metavar="SECONDS",
            help=(
                "how long to try a migration again whose locks others hold (default: %(default)s); then the "
                f"exit status is {GAVE_UP}, and what was migrated stays"
            ),
        )  # fmt: skip

    def handle(self, *args: Any, patience: float = PATIENCE_S, **options: Any) -> None:
        connection = connections[options["database"]]
        if options["check_unapplied"] or options["plan"]:
            super().handle(*args, **options)
            return
        self.underway: Migration | None = None
        with closing(LockGuard(connection)) as self.guard:
            self._wait_for_others(patience)
            # Before the first table, so that what is granted by default holds for every one
            grant_service(connection, settings.SERVICE_ROLE)
            self._try(patience, *args, may_repeat=not connection.in_atomic_block, **options)

    def _wait_for_others(self, patience: float) -> None:
        """Wait between looks, not in one: a session that waits would hold up an index built CONCURRENTLY."""
        pauses = Pauses(patience)
        while not self.guard.is_alone():
            if not pauses.pause(self._note, "Another migration of this database is running."):
                raise CommandError("Another migration of this database is running still.", returncode=GAVE_UP)

    def _try(self, patience: float, *args: Any, may_repeat: bool, **options: Any) -> None:
        """Run Django's own command again and again: it goes on from what is migrated."""
        pauses = Pauses(patience)
        rejected: Migration | None = None
        while True:
            try:
                with ExitStack() as self.guarded:
                    super().handle(*args, **options)
            except OperationalError as error:
                reason = self._rolled_back_because(error)
                if reason is None or not may_repeat:
                    raise
                if self.underway != rejected:
                    pauses, rejected = Pauses(patience), self.underway
                if self.verbosity >= 1 and self.underway:
                    self.stdout.write(" not yet")
                self.guard.wait_for_autovacuum()
                if not pauses.pause(self._note, reason):
                    raise CommandError(
                        f"{reason}\nGiven up after {pauses.tries} tries in {patience:g} s. Nothing is half "
                        "done: what was migrated stays, and the service goes on as it is. Run it again when "
                        "there is less to do, or with more --patience.",
                        returncode=GAVE_UP,
                    ) from error
            else:
                return

    def _rolled_back_because(self, error: OperationalError) -> str | None:
        """Why a migration was rolled back for others; None where it failed for its own reasons."""
        name = self.underway or "The migration"
        match error.__cause__:
            case psycopg.errors.LockNotAvailable():
                blockers = "".join(f"\n  {line}" for line in self.guard.blockers)
                return f"{name} waits for locks, and lets others pass.{blockers}"
            case psycopg.errors.DeadlockDetected():
                return f"{name} and another session waited for each other."
            case psycopg.errors.QueryCanceled() if self.guard.waited_s:
                return f"{name} was stopped: a session had waited for it for {self.guard.waited_s:.2f} s."
        return None

    def migration_progress_callback(
        self, action: str, migration: Migration | None = None, fake: bool = False
    ) -> None:
        if action in ("apply_success", "unapply_success"):
            self.guarded.close()
            self.underway = None
        super().migration_progress_callback(action, migration, fake)
        if action in ("apply_start", "unapply_start") and migration and not fake:
            self.underway = migration
            backwards = action == "unapply_start"
            self.guarded.enter_context(self.guard.guarding(migration, backwards=backwards))

    def _note(self, text: str) -> None:
        self.stderr.write(text, style_func=lambda words: words)


class Pauses:
    """Pauses that grow, with jitter, so that tries do not fall into step with a periodic job."""

    def __init__(self, patience_s: float) -> None:
        self.ends = time.monotonic() + patience_s
        self.next_s = FIRST_PAUSE_S
        self.tries = 0

    def pause(self, say: Any, reason: str) -> bool:
        """Report why, and wait. Returns False where the time is over."""
        self.tries += 1
        left = self.ends - time.monotonic()
        if left <= 0:
            return False
        seconds = min(self.next_s * random.uniform(0.5, 1.5), left)  # noqa: S311 - no secret
        self.next_s = min(self.next_s * PAUSES_GROW, LONGEST_PAUSE_S)
        say(f"{reason}\n  Trying again in {seconds:.1f} s; giving up in {left:.0f} s.")
        time.sleep(seconds)
        return True
