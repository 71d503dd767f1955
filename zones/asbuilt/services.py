"""As-built files in and out of the record: what a command, a page or an address calls."""

from __future__ import annotations

import csv
import gc
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TextIO

from django.db import IntegrityError, connection, transaction
from django.db.models import QuerySet
from psycopg import errors as pg

from sites.access.scope import EVERYTHING, Scope, scoped
from sites.changes.constraints import problem_of
from sites.models import Site
from sites.models.access import User
from sites.models.changes import ChangeSet

from .exporting import Exporter
from .files import read_files
from .formats import ALL, BY_NAME, FileKind
from .parsing import Row, parse
from .problems import ImportRefusedError, RowProblem, problem_in
from .record import Record
from .rejected_rows import rejected_files
from .resolving import Importer, resolve
from .things import Thing
from .writing import Writer

SITES_A_BATCH = 50
Progress = Callable[[str, int, int], None]
"""Called with what is being done, how much of it is done, and how much there is."""


@dataclass
class Imported:
    """What an import did, or would do: rows ``written`` by kind, rows that were ``unchanged`` (the record
    had them), ``problems`` of rows that were ``rejected`` (file name to content).
    """

    dry_run: bool
    written: dict[str, int] = field(default_factory=dict)
    rows: int = 0
    change_sets: list[ChangeSet] = field(default_factory=list)
    problems: list[RowProblem] = field(default_factory=list)
    waiting: int = 0
    rejected: dict[str, bytes] = field(default_factory=dict)

    @property
    def nothing_new(self) -> bool:
        return not any(self.written.values())


def import_files(
    files: Mapping[str, bytes],
    importer: Importer,
    *,
    user: User | None = None,
    scope: Scope = EVERYTHING,
    dry_run: bool = False,
    accept_good: bool = False,
    progress: Progress | None = None,
) -> Imported:
    """Take as-built files (file name to content) into the record, all or nothing.

    ``accept_good``: take the rows that are good, and give the others back in ``Imported.rejected``.
    ``dry_run``: do everything, the database's own checks included, and roll it back. Errors:
    ``ImportRefusedError`` with all that is wrong; nothing was written.

    1. Read and parse; no database.
    2. Lock the sites that are there already, in the order of their ids, and read their record.
    3. Resolve every row against it. 4. Write. 5. Commit, or roll back.
    """
    report = progress or (lambda *_: None)
    with _uncollected():
        sheets, problems = read_files(files)
        rows = {name: parse(sheet) for name, sheet in sheets.items()}
        if problems:
            raise ImportRefusedError(problems + _problems(rows))
        with transaction.atomic():
            context = resolve(rows, _record_of(rows, scope).world, importer)
            problems = _problems(rows)
            if problems and not accept_good:
                raise ImportRefusedError(problems)
            writer = Writer(context, user, lambda done, of: report("sites written", done, of))
            try:
                writer.write()
            except IntegrityError as error:
                raise ImportRefusedError([_refused_by_database(error)]) from error
            if dry_run:
                transaction.set_rollback(True)
    everything = [row for of_kind in rows.values() for row in of_kind]
    return Imported(
        dry_run=dry_run,
        written={name: count for name, count in writer.written.items() if count},
        rows=len(everything),
        change_sets=writer.change_sets,
        problems=problems,
        waiting=sum(row.waits_for is not None and not row.problems for row in everything),
        rejected=rejected_files(sheets, rows),
    )


@contextmanager
def _uncollected() -> Iterator[None]:
    """Inside, nobody looks for objects that only hold one another: what an import makes stays until its end,
    and looking through ever more of it took a quarter of its time."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def _problems(rows: Mapping[str, list[Row]]) -> list[RowProblem]:
    """All complaints, in the order of the registry and of the rows."""
    return [problem for kind in ALL for row in rows.get(kind.name, []) for problem in row.problems]


def _record_of(rows: Mapping[str, list[Row]], scope: Scope) -> Record:
    """What the record holds of the sites that the files name, locked against all who would write them."""
    codes = {
        row.values.get("code" if name == "sites" else "site")
        for name, of_kind in rows.items()
        if name == "sites" or BY_NAME[name].sited or name == "coverages"
        for row in of_kind
    }
    sites = scoped(Site, scope).filter(code__in=codes - {None})
    list(sites.order_by("id").select_for_update(of=("self",), no_key=True).values_list("id"))
    record = Record(scope)
    record.read_shared()
    record.read_sites(sites)
    return record


def _refused_by_database(error: IntegrityError) -> RowProblem:
    """What the database refused that resolving let by: two who write at once, or a rule only it knows."""
    cause = error.__cause__
    table = cause.diag.table_name if isinstance(cause, pg.Error) else None
    file = next(
        (
            kind.file
            for kind in ALL
            for model in (kind.model, kind.facts)
            if model and model._meta.db_table == table
        ),
        "files",
    )
    said = problem_of(error)
    detail = (cause.diag.message_detail or "") if isinstance(cause, pg.Error) else ""
    return problem_in(file, 0, "", said.code, " ".join(filter(None, [said.detail, detail])))


# --- out ----------------------------------------------------------------------------------------------------


def export_folder(
    folder: Path,
    *,
    sites: QuerySet[Site] | None = None,
    scope: Scope = EVERYTHING,
    overwrite: bool = False,
    progress: Progress | None = None,
) -> dict[str, int]:
    """Write the record of ``sites`` (None: all, with the whole catalogue) as as-built files; returns rows
    by kind.

    Read in one snapshot. A file appears under its name only when all are complete. Errors: FileExistsError
    where a file of such a name is there and ``overwrite`` is not given.
    """
    folder.mkdir(parents=True, exist_ok=True)
    there = [kind.file for kind in ALL if (folder / kind.file).exists()]
    if there and not overwrite:
        raise FileExistsError(f"{folder} holds {', '.join(there)} already")
    report = progress or (lambda *_: None)
    counts: Counter[str] = Counter()
    sinks: dict[str, TextIO] = {}
    try:
        for kind in ALL:
            sinks[kind.name] = (folder / f".{kind.file}.part").open("w", encoding="utf-8", newline="")
            csv.writer(sinks[kind.name], lineterminator="\n").writerow([c.name for c in kind.all_columns])
        with transaction.atomic():
            _snapshot()
            _export(sinks, counts, sites, scope, report)
    finally:
        for sink in sinks.values():
            sink.close()
    for kind in ALL:
        part = folder / f".{kind.file}.part"
        if counts[kind.name]:
            part.replace(folder / kind.file)
        else:
            part.unlink()
            (folder / kind.file).unlink(missing_ok=True)
    return dict(counts)


def _snapshot() -> None:
    if not connection.in_atomic_block or len(connection.savepoint_ids) == 0:
        with connection.cursor() as cursor:
            cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")


def _export(
    sinks: Mapping[str, TextIO],
    counts: Counter[str],
    sites: QuerySet[Site] | None,
    scope: Scope,
    report: Progress,
) -> None:
    ids = list(scoped(Site if sites is None else sites, scope).order_by("code").values_list("id", flat=True))
    used: set[Any] = set()

    def write(kind: FileKind, cells: dict[str, str]) -> None:
        csv.writer(sinks[kind.name], lineterminator="\n").writerow(cells.values())
        counts[kind.name] += 1

    for start in range(0, len(ids), SITES_A_BATCH):
        batch = ids[start : start + SITES_A_BATCH]
        record = Record(scope)
        record.read_shared()
        record.read_sites(Site.objects.filter(pk__in=batch))
        exporter = Exporter(record.world)
        for site in record.world.things["sites"]:
            for kind, cells in exporter.of_site(site):
                write(kind, cells)
        used |= {(thing.kind.name, thing.id) for thing in _named_shared(record)}
        report("sites exported", min(start + SITES_A_BATCH, len(ids)), len(ids))
    record = Record(scope)
    record.read_shared()
    exporter = Exporter(record.world)
    for kind in ALL:
        if not kind.sited and kind.name not in ("sites", "coverages"):
            chosen = {thing for thing in record.world.things[kind.name] if (kind.name, thing.id) in used}
            for cells in exporter.shared(kind, None if sites is None else chosen):
                write(kind, cells)


def _named_shared(record: Record) -> set[Thing]:
    """The customers, contracts, models and cables that the sites of a record name."""
    found: set[Thing] = set()
    for things in record.world.things.values():
        for thing in things:
            values = [
                *thing.key,
                *thing.values.values(),
                *(v for facts in thing.facts for v in facts.values.values()),
            ]
            if thing.kind.sited or thing.kind.name in ("sites", "coverages"):
                found |= {value for value in values if isinstance(value, Thing) and not value.kind.sited}
    return found
