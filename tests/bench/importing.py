"""As-built files imported, against COPY of the very rows that this writes into the same tables.

The yardstick pays for all that the database holds a row to: its keys, its change set, the change record and
the marks. What ours does besides is to read text, to find what each name means, and to compare it with what
the record has.
"""

from __future__ import annotations

import statistics
import tempfile
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from functools import partial
from pathlib import Path
from typing import NamedTuple

from django.core.management import call_command
from django.db import connection, connections, transaction
from django.db.models import Model
from django.utils import timezone
from psycopg import sql

from api.management.commands.bench import MOST_IMPORTED
from sites.models import ChangeSet, Coverage, Site
from tests.bench.lines import Line, line, peak_rss_mb, seconds
from tests.zones.asbuilt.folders import content_of
from zones.asbuilt.formats import SHARED, SITED
from zones.asbuilt.resolving import Importer
from zones.asbuilt.services import export_folder, import_files
from zones.models import PagingSetZone

NAME = "import"
CASES = ("rows",)
TOGETHER = False
GOAL = 3.0
ROUNDS = 3
EMPTY, FRESH = "bench_import_empty", "bench_import_fresh"
ALIASES = ("default", "owner")

Files = dict[str, bytes]


class Rows(NamedTuple):
    """The rows of one table as COPY gives them, and the change set they are written in."""

    table: str
    change_set: str
    binary: bytes


def cases(_wanted: tuple[str, ...], sites: int) -> Iterator[Line]:
    """Each import, and each COPY, begins with a database that holds nothing."""
    files = _files(sites)
    ours, theirs, peak = [], [], 0.0
    sizes: dict[str, int | float] = {}
    with _named(EMPTY):
        call_command("migrate", verbosity=0)
    for _ in range(ROUNDS):
        with _fresh():
            ours.append(seconds(partial(_import, files)))
            peak = peak or peak_rss_mb()
            rows, sizes = _written()
        with _fresh():
            theirs.append(seconds(partial(_copy_in, rows)))
            if _sizes() != sizes:
                raise RuntimeError(f"the import wrote {sizes}, COPY {_sizes()}")
    yield line(
        NAME, "rows", statistics.median(ours), statistics.median(theirs), goal=GOAL, sizes=sizes, peak=peak
    )


def _files(sites: int) -> Files:
    chosen = list(Site.objects.order_by("pk").values_list("pk", flat=True)[: min(sites, MOST_IMPORTED)])
    with tempfile.TemporaryDirectory(prefix="zonebook-bench-") as folder:
        export_folder(Path(folder), sites=Site.objects.filter(pk__in=chosen))
        return content_of(Path(folder))


def _import(files: Files) -> None:
    import_files(files, Importer(actor="Mara Ellingsworth", now=timezone.now()))


# --- the yardstick ------------------------------------------------------------------------------------------


def _models() -> Iterator[type[Model]]:
    """What an import writes, in the order of the keys."""
    yield ChangeSet
    for kind in SHARED:
        if kind.model is not None:
            yield kind.model
    yield Site
    yield Coverage
    for kind in SITED:
        yield from (model for model in (kind.model, kind.facts) if model is not None)
    yield PagingSetZone


def _written() -> tuple[list[Rows], dict[str, int | float]]:
    """All rows of the database, with the change sets of what sites share: catalogue and customers have the
    first, coverages the last."""
    shared = list(ChangeSet.objects.filter(site=None).order_by("pk").values_list("pk", flat=True))
    of_no_site = {kind.model: str(shared[0]) for kind in SHARED} | {Coverage: str(shared[-1])}
    rows = []
    with connection.cursor() as cursor:
        for model in dict.fromkeys(_models()):
            table = sql.Identifier(model._meta.db_table)
            with cursor.copy(sql.SQL("COPY {} TO STDOUT (FORMAT binary)").format(table)) as stream:
                binary = b"".join(stream)
            rows.append(Rows(model._meta.db_table, of_no_site.get(model, "each row"), binary))
    return rows, _sizes()


def _sizes() -> dict[str, int | float]:
    with connection.cursor() as cursor:
        counted = 0
        for model in set(_models()):
            cursor.execute(sql.SQL("SELECT count(*) FROM {}").format(sql.Identifier(model._meta.db_table)))
            counted += cursor.fetchone()[0]
        cursor.execute("SELECT (SELECT count(*) FROM site), (SELECT count(*) FROM point)")
        sites, points = cursor.fetchone()
    return {"sites": sites, "points": points, "rows": counted}


@transaction.atomic
def _copy_in(rows: list[Rows]) -> None:
    with connection.cursor() as cursor:
        for table, change_set, binary in rows:
            cursor.execute("SELECT set_config('zonebook.change_set', %s, true)", [change_set])
            statement = sql.SQL("COPY {} FROM STDIN (FORMAT binary)").format(sql.Identifier(table))
            with cursor.copy(statement) as into:
                into.write(binary)


# --- databases ----------------------------------------------------------------------------------------------


@contextmanager
def _named(name: str, *, template: str = "template1") -> Iterator[None]:
    """Inside, both roles are at a new database of the same server."""
    before = connection.settings_dict["NAME"]
    with connections["owner"].cursor() as cursor:
        cursor.execute(sql.SQL("DROP DATABASE IF EXISTS {}").format(sql.Identifier(name)))
        cursor.execute(
            sql.SQL("CREATE DATABASE {} TEMPLATE {}").format(sql.Identifier(name), sql.Identifier(template))
        )
    _go_to(name)
    try:
        connection.ensure_connection()
        yield
    finally:
        _go_to(before)


def _fresh() -> AbstractContextManager[None]:
    return _named(FRESH, template=EMPTY)


def _go_to(name: str) -> None:
    for alias in ALIASES:
        connections[alias].close()
        connections[alias].settings_dict["NAME"] = name
