"""As-built files in and out of the record: what a command, a page or an address calls."""

from __future__ import annotations

import csv
import gc
import itertools
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import QuerySet
from psycopg import errors as pg

from sites.access.scope import EVERYTHING, Scope, scoped
from sites.changes.constraints import problem_of
from sites.changes.errors import ChangeRefused, Problem
from sites.models import Site
from sites.models.access import User
from sites.models.changes import ChangeSet
from sites.snapshot import reading_snapshot

from .child import in_child
from .exporting import Exporter, shared_row
from .files import Sheet, read_files
from .formats import ALL, SHARED, FileKind
from .intake import Files, Limits, limits, too_large
from .parsing import Row, parse
from .problems import problem_in
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
    """What an import did, or would do: rows ``written`` by kind, of ``rows`` in all; ``problems`` of rows
    that are ``rejected`` (file name to content), and how many more are ``waiting`` for those.
    """

    dry_run: bool
    written: dict[str, int]
    rows: int
    change_sets: list[ChangeSet]
    problems: list[Problem]
    waiting: int
    rejected: dict[str, bytes]

    @property
    def nothing_new(self) -> bool:
        return not self.written


def import_files(
    files: Files,
    importer: Importer,
    *,
    user: User | None = None,
    scope: Scope = EVERYTHING,
    dry_run: bool = False,
    accept_good: bool = False,
    progress: Progress | None = None,
) -> Imported:
    """Take as-built files (file name to content, or to where it lies) into the record, all or nothing.

    ``accept_good``: take the rows that are good, and give the others back in ``Imported.rejected``.
    ``dry_run``: do everything, the database's own checks included, and roll it back. Errors:
    ``ChangeRefused`` with all that is wrong (``problems.place_of`` says where); nothing was written.

    1. Read and parse, within the limits of the settings, in a child process; no database.
    2. Lock the sites that are there already, in the order of their ids, and read their record.
    3. Resolve every row against it. 4. Write. 5. Commit, or roll back.
    """
    report = progress or (lambda *_: None)
    with _uncollected():
        most = limits()
        if large := too_large(files, most):
            raise ChangeRefused(large)
        sheets, rows, problems = in_child(lambda: _parsed(files, most), most)
        everything = [row for kind in ALL for row in rows.get(kind.name, [])]
        if problems:
            raise ChangeRefused([*problems, *_problems(everything)])
        with transaction.atomic():
            context = resolve(rows, _record_of(everything, scope).world, importer)
            problems = _problems(everything)
            if problems and not accept_good:
                raise ChangeRefused(problems)
            writer = Writer(context, user, lambda done, of: report("sites written", done, of))
            try:
                writer.write()
            except IntegrityError as error:
                raise ChangeRefused([_refused_by_database(error)]) from error
            if dry_run:
                transaction.set_rollback(True)
    return Imported(
        dry_run=dry_run,
        written={name: count for name, count in writer.written.items() if count},
        rows=len(everything),
        change_sets=writer.change_sets,
        problems=problems,
        waiting=sum(row.waits_for is not None and not row.problems for row in everything),
        rejected=rejected_files(sheets, rows),
    )


def _parsed(files: Files, most: Limits) -> tuple[dict[str, Sheet], dict[str, list[Row]], list[Problem]]:
    sheets, problems = read_files(files, most)
    rows = {}
    for name, sheet in sheets.items():
        rows[name] = parse(sheet)
        sheet.rows = []  # each row has its cells
    return sheets, rows, problems


@contextmanager
def _uncollected() -> Iterator[None]:
    """Inside, the garbage collector is off: what an import makes stays until its end, and looking through
    ever more of it took a quarter of the time."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def _problems(rows: list[Row]) -> list[Problem]:
    return [problem for row in rows for problem in row.problems]


def _record_of(rows: list[Row], scope: Scope) -> Record:
    """What the record holds of the sites that the files name, locked against all who would write them."""
    codes = {row.values.get("code" if row.kind.name == "sites" else "site") for row in rows}
    sites = scoped(Site, scope).filter(code__in=codes - {None})
    list(sites.order_by("id").select_for_update(of=("self",), no_key=True).values_list("id"))
    record = Record(scope)
    record.read_shared()
    record.read_sites(sites)
    if any(row.kind.name == "corrections" for row in rows):
        record.read_corrections()
    return record


def _refused_by_database(error: IntegrityError) -> Problem:
    """What the database refused that resolving let by: two who write at once, or a rule only it knows."""
    tables = {model._meta.db_table: kind.file for kind in ALL for model in (kind.model, kind.facts) if model}
    problem = problem_of(error)
    file, detail = "files", problem.detail
    if isinstance(error.__cause__, pg.Error):
        diagnostic = error.__cause__.diag
        file = tables.get(diagnostic.table_name or "", file)
        detail = f"{detail} {diagnostic.message_detail or ''}".rstrip()
    return problem_in(file, 0, "", problem.code, detail)


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
    counts: Counter[str] = Counter()
    with ExitStack() as sinks, reading_snapshot():
        writers = {}
        for kind in ALL:
            sink = (folder / f".{kind.file}.part").open("w", encoding="utf-8", newline="")
            writers[kind] = csv.writer(sinks.enter_context(sink), lineterminator="\n")
            writers[kind].writerow(column.name for column in kind.exported_columns)
        for kind, cells in _exported(sites, scope, progress or (lambda *_: None)):
            writers[kind].writerow(cells.values())
            counts[kind.name] += 1
    for kind in ALL:
        part = folder / f".{kind.file}.part"
        if counts[kind.name]:
            part.replace(folder / kind.file)
        else:
            part.unlink()
            (folder / kind.file).unlink(missing_ok=True)
    return dict(counts)


def _exported(
    sites: QuerySet[Site] | None, scope: Scope, report: Progress
) -> Iterator[tuple[FileKind, dict[str, str]]]:
    """Every row, site by site, then of what sites share: all, or what ``sites`` name."""
    ids = list(scoped(Site if sites is None else sites, scope).order_by("code").values_list("id", flat=True))
    named: set[tuple[FileKind, Any]] = set()
    for start in range(0, len(ids), SITES_A_BATCH):
        record = Record(scope)
        record.read_shared()
        record.read_sites(Site.objects.filter(pk__in=ids[start : start + SITES_A_BATCH]))
        record.read_corrections()
        exporter = Exporter(record.world)
        for site in record.world.things["sites"]:
            yield from exporter.of_site(site)
        named |= {(thing.kind, thing.id) for thing in _named_shared(record)}
        report("sites exported", min(start + SITES_A_BATCH, len(ids)), len(ids))
    record = Record(scope)
    record.read_shared()
    for kind in SHARED:
        for thing in record.world.things[kind.name]:
            if sites is None or (kind, thing.id) in named:
                yield kind, shared_row(thing)


def _named_shared(record: Record) -> Iterator[Thing]:
    """The customers, contracts, models and cables that the sites of a record name."""
    for thing in itertools.chain(*record.world.things.values()):
        if thing.kind not in SHARED:
            for values in (thing.key, thing.values.values(), *(one.values.values() for one in thing.facts)):
                yield from (value for value in values if isinstance(value, Thing) and value.kind in SHARED)
