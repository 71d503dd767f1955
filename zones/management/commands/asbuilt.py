"""`manage.py asbuilt import|export|format`: as-built files in and out of the record.

Exit status: 0 done (or nothing to do), 1 something outside the files failed, 2 bad input and nothing written,
3 good rows written and the others put aside.
"""

from __future__ import annotations

import json
import os
import sys
from argparse import ArgumentTypeError
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date
from getpass import getuser
from pathlib import Path
from typing import Any, NoReturn

from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from sites.changes.errors import ChangeRefused, Problem
from sites.fields import DayField
from sites.models import Customer, Site, User
from sites.wording import perhaps, plural
from zones.asbuilt.format_page import render
from zones.asbuilt.intake import files_of
from zones.asbuilt.problems import place_of, problem_in, sentence_of
from zones.asbuilt.resolving import Importer
from zones.asbuilt.services import Imported, export_folder, import_files
from zones.asbuilt.services import Progress as Report

MOST_LISTED = 500
"""Problems that are printed. More than that are of one kind, and are put right in one go."""


class Command(BaseCommand):
    help = "Take as-built files (CSV) into the record, or write the record as such files."

    def add_arguments(self, parser: CommandParser) -> None:
        commands = parser.add_subparsers(dest="command", required=True, metavar="import|export|format")
        take = commands.add_parser(
            "import",
            help="folders of CSV files into the record",
            description="Take folders of CSV files into the record: all of it, or nothing. The format is in "
            "zones/asbuilt/FORMAT.md, or `asbuilt format`. Exit status: 0 done, 1 something outside the "
            "files failed, 2 bad input and nothing written, 3 good rows written, the others aside.",
        )
        add = take.add_argument
        add("folders", type=Path, nargs="+", metavar="FOLDER")
        add("--dry-run", action="store_true", help="say what would be written, and write nothing")
        add(
            "--accept-good",
            action="store_true",
            help="write the rows that are good; put the others, with what is wrong, into files to clarify",
        )
        add(
            "--aside",
            type=Path,
            default=Path("to-clarify"),
            metavar="DIR",
            help="where those files go (default: %(default)s in the current folder); it must be empty or new",
        )
        add("--user", metavar="NAME", help="username of the person who imports")
        without = "for sites without a row in changes.csv"
        add("--day", type=_day, metavar="DATE", help=f"{without}: when")
        add("--person", default="", help=f"{without}: who")
        add("--done-by", default="", metavar="NAME", help=f"{without}: who did the work, where another")
        add("--reason", default="", help=f"{without}: why")
        add("--json", action="store_true", help="print a summary as JSON")
        export = commands.add_parser("export", help="the record into a folder of CSV files")
        add = export.add_argument
        add("folder", type=Path, metavar="FOLDER")
        several: dict[str, Any] = {"action": "append", "metavar": "CODE"}
        add("--site", dest="sites", help="only this site; repeatable", **several)
        add("--customer", dest="customers", help="only this customer's sites; repeatable", **several)
        add("--overwrite", action="store_true", help="replace files that are in the folder")
        add("--json", action="store_true", help="print a summary as JSON")
        commands.add_parser("format", help="print what the files hold, column by column")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["command"] == "format":
            self.stdout.write(render(), ending="")
        elif options["command"] == "import":
            self._import(options)
        else:
            self._export(options)

    # -- in

    def _import(self, options: dict[str, Any]) -> None:
        aside: Path = options["aside"]
        # Before anything is written: afterwards it would be too late for another folder
        if options["accept_good"] and not options["dry_run"] and not _can_be_made(aside):
            raise CommandError(f"{aside} cannot be written: name another folder with --aside", returncode=2)
        if options["accept_good"] and not options["dry_run"] and aside.exists() and any(aside.iterdir()):
            raise CommandError(
                f"{aside} holds files already: name an empty folder with --aside", returncode=2
            )
        files = self._files(options)
        user = _user(options["user"])
        importer = Importer(
            actor=(user.get_full_name() or user.get_username()) if user else getuser(),
            now=timezone.now(),
            happened_on=options["day"],
            person=options["person"],
            done_by=options["done_by"],
            reason=options["reason"],
        )
        try:
            with _progress() as report:
                done = import_files(
                    files,
                    importer,
                    user=user,
                    dry_run=options["dry_run"],
                    accept_good=options["accept_good"],
                    progress=report,
                )
        except ChangeRefused as refused:
            self._refuse(refused.problems, options)
        if done.rejected and not done.dry_run:
            aside.mkdir(parents=True, exist_ok=True)
            for name, content in done.rejected.items():
                (aside / name).write_bytes(content)
        self._print_summary(done, aside, as_json=options["json"])
        if done.problems:
            sys.exit(3)

    def _files(self, options: dict[str, Any]) -> dict[str, Path]:
        files: dict[str, Path] = {}
        problems: list[Problem] = []
        for folder in options["folders"]:
            if not folder.is_dir():
                raise CommandError(f"{folder} is not a folder", returncode=2)
            found, wrong = files_of(folder)
            problems += wrong
            message = "is in two of the folders: import one after the other"
            twice = sorted(files.keys() & found.keys())
            problems += [problem_in(name, 0, "", "file_twice", message) for name in twice]
            files |= found
        if not files and not problems:
            folders = ", ".join(map(str, options["folders"]))
            raise CommandError(f"no CSV files in {folders}: see `manage.py asbuilt format`", returncode=2)
        if problems:
            self._refuse(problems, options)
        return files

    def _refuse(self, problems: Sequence[Problem], options: dict[str, Any]) -> NoReturn:
        if options["json"]:
            self._print({"ok": False, "written": {}, **_as_json(problems)})
        else:
            self._list(problems, self.style.ERROR)
            self.stderr.write(f"{len(problems)} {plural(len(problems), 'problem')}; nothing was written.")
        sys.exit(2)

    def _print_summary(self, done: Imported, aside: Path, *, as_json: bool) -> None:
        if as_json:
            self._print(
                {
                    "ok": not done.problems,
                    "dry_run": done.dry_run,
                    "rows": done.rows,
                    "written": done.written,
                    "change_sets": [] if done.dry_run else [change_set.pk for change_set in done.change_sets],
                    **_as_json(done.problems),
                    "waiting": done.waiting,
                    "aside": {name: str(aside / name) for name in done.rejected},
                }
            )
            return
        verb = "Would write" if done.dry_run else "Wrote"
        if done.nothing_new:
            rows = f"{done.rows} {plural(done.rows, 'row')}"
            self.stdout.write(f"Nothing to write: the record holds all {rows} already.")
        else:
            self.stdout.write(f"{verb} {_listed(done.written)}.")
        self._list(done.problems, self.style.WARNING)
        if done.problems:
            found = f"{len(done.problems)} {plural(len(done.problems), 'problem')}"
            waiting = f"{done.waiting} {plural(done.waiting, 'row')} waiting for others"
            where = "would go to" if done.dry_run else "are in"
            self.stderr.write(
                f"{found}, {waiting}; these {where} {aside}. Correct them and import from there."
            )

    def _list(self, problems: Sequence[Problem], style: Any) -> None:
        for problem in problems[:MOST_LISTED]:
            self.stderr.write(sentence_of(problem), style)
        if len(problems) > MOST_LISTED:
            self.stderr.write(f"and {len(problems) - MOST_LISTED:,} more", style)

    # -- out

    def _export(self, options: dict[str, Any]) -> None:
        sites = None
        if options["sites"] or options["customers"]:
            sites = Site.objects.all()
            if options["sites"]:
                sites = sites.filter(code__in=_known(options["sites"], Site, "site"))
            if options["customers"]:
                sites = sites.filter(customer__code__in=_known(options["customers"], Customer, "customer"))
        try:
            with _progress() as report:
                counts = export_folder(
                    options["folder"], sites=sites, overwrite=options["overwrite"], progress=report
                )
        except FileExistsError as error:
            raise CommandError(f"{error}: name another folder, or give --overwrite", returncode=2) from error
        if options["json"]:
            self._print({"ok": True, "folder": str(options["folder"]), "rows": counts})
        else:
            self.stdout.write(f"Wrote {_listed(counts) or 'nothing: the record is empty'}.")

    def _print(self, summary: dict[str, Any]) -> None:
        self.stdout.write(json.dumps(summary, ensure_ascii=False, indent=2))


def _listed(counts: Mapping[str, int]) -> str:
    return ", ".join(f"{count} {name}" for name, count in counts.items())


def _as_json(problems: Sequence[Problem]) -> dict[str, Any]:
    listed = [
        dict(zip(("file", "row", "column"), place_of(problem), strict=True))
        | {"code": problem.code, "message": problem.detail}
        for problem in problems[:MOST_LISTED]
    ]
    return {"problems": listed, "more_problems": len(problems) - len(listed)}


def _day(text: str) -> date:
    field = DayField()
    try:
        day: date = field.clean(text, None)
    except ValidationError as error:
        raise ArgumentTypeError(f"“{text}”: expected {field.expected}") from error
    return day


def _can_be_made(folder: Path) -> bool:
    nearest = next(path for path in (folder.absolute(), *folder.absolute().parents) if path.exists())
    return nearest.is_dir() and os.access(nearest, os.W_OK | os.X_OK)


def _user(name: str | None) -> User | None:
    if name is None:
        return None
    user = User.objects.filter(username=name).first()
    if user is None:
        names = User.objects.values_list("username", flat=True)[:1000]
        raise CommandError(f"there is no user “{name}”{perhaps(name, names)}", returncode=2)
    return user


def _known(codes: list[str], model: type[Site] | type[Customer], word: str) -> list[str]:
    known = set(model.objects.values_list("code", flat=True))
    for code in codes:
        if code not in known:
            raise CommandError(f"there is no {word} “{code}”{perhaps(code, known)}", returncode=2)
    return codes


@contextmanager
def _progress() -> Iterator[Report]:
    """A bar on standard error while something runs, where that is a terminal."""
    console = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        tasks: dict[str, Any] = {}

        def report(what: str, done: int, of: int) -> None:
            if what not in tasks:
                tasks[what] = bar.add_task(what, total=of)
            bar.update(tasks[what], completed=done, total=of)

        yield report
