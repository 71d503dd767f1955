"""`manage.py database`: address, dump and load of the embedded database."""

import os
import subprocess
from errno import EISDIR
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import connections

from api.database import programs
from api.database.backend.base import DatabaseWrapper
from api.database.cluster import PORT, SUPERUSER

BAD_INPUT = 2
DUMP_BEGINS = b"PGDMP"  # pg_dump's custom format


class Command(BaseCommand):
    help = (
        "Address, dump and load of the embedded database, for a backup or to move to another major version "
        "of PostgreSQL. A server given by DATABASE_URL has its own tools for that."
    )

    requires_system_checks = []  # a backup works with a broken model, too

    def add_arguments(self, parser: CommandParser) -> None:
        parts = parser.add_subparsers(dest="part", required=True)
        parts.add_parser("address", help="print a connection string for psql and pg_dump")
        dump = parts.add_parser("dump", help="write the database to a file in pg_dump's custom format")
        dump.add_argument("file", type=Path)
        load = parts.add_parser("load", help="fill a new database from such a file, in one transaction")
        load.add_argument("file", type=Path)

    def handle(self, *, part: str, **options: Any) -> None:
        owner = connections["owner"]
        if not isinstance(owner, DatabaseWrapper):
            raise CommandError(
                "DATABASE_URL is set, so the embedded database is not in use. Dump and load that server with "
                "its own pg_dump and pg_restore."
            )
        host = owner.join_server()
        self.name = str(owner.settings_dict["NAME"])
        # As superuser: row security may hide rows from the owner
        self.arguments = [f"--host={host}", f"--port={PORT}", f"--username={SUPERUSER}"]
        if part == "address":
            user = owner.settings_dict["USER"]
            self.stdout.write(f"host={host} port={PORT} dbname={self.name} user={user}")
        elif part == "dump":
            self._dump(options["file"])
        else:
            self._load(options["file"])

    def _dump(self, file: Path) -> None:
        draft = file.with_name(f"{file.name}.part")
        try:
            if file.is_dir():
                raise IsADirectoryError(EISDIR, os.strerror(EISDIR))
            draft.touch()
        except OSError as error:
            raise CommandError(
                f"{file} cannot be written ({error.strerror}): expected a file in a folder that is there and "
                "can be written to.",
                returncode=BAD_INPUT,
            ) from error
        try:
            self._run("pg_dump", "--format=custom", f"--file={draft}", self.name)
            draft.replace(file)
        finally:
            draft.unlink(missing_ok=True)
        self.stdout.write(f"{file}: {file.stat().st_size:,} bytes")

    def _load(self, file: Path) -> None:
        if not file.is_file():
            raise CommandError(
                f"{file}: no such file; expected one that `manage.py database dump` wrote.",
                returncode=BAD_INPUT,
            )
        with file.open("rb") as opened:
            if opened.read(len(DUMP_BEGINS)) != DUMP_BEGINS:
                raise CommandError(
                    f"{file}: not a dump; expected a file that `manage.py database dump` wrote.",
                    returncode=BAD_INPUT,
                )
        with connections["owner"].cursor() as cursor:
            tables = connections["owner"].introspection.table_names(cursor)
        connections["owner"].close()
        if tables:
            raise CommandError(
                f"The database has {len(tables)} tables already, and loading would mix two records. Load "
                "into a new data folder: --data DIR."
            )
        self._run("pg_restore", "--exit-on-error", "--single-transaction", f"--dbname={self.name}", str(file))
        self.stdout.write(f"{file}: loaded. `manage.py migrate` brings it up to this version.")

    def _run(self, program: str, *arguments: str) -> None:
        path = next(programs.candidates()).path(program)
        result = subprocess.run(
            [path, *self.arguments, *arguments],
            capture_output=True,
            text=True,
            check=False,
        )
        if result.returncode != 0:
            raise CommandError(f"{program} failed:\n{result.stderr.strip()}")
