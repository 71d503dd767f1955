"""`manage.py recheck`: recompute sites now, or print their figures as of a day."""

from __future__ import annotations

import datetime as dt
import json
import sys
from collections.abc import Iterator, Sequence
from typing import IO, Any, cast

from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils.translation import ngettext
from rich.console import Console
from rich.progress import track
from rich.table import Table
from rich.text import Text

from sites.fields import DayField
from sites.models import Site
from sites.models.changes import Mark
from sites.wording import did_you_mean, shortened
from zones.electrical.estimates import LIMITS, WORDS
from zones.electrical.verdicts import Verdict
from zones.recheck.as_of import Figure, SiteAsOf, sites_as_of
from zones.recheck.batch import recheck
from zones.recheck.claims import claimed_sites
from zones.recheck.recheck_queue import mark_sites
from zones.recheck.sweep import Swept, sweep

FAILED, BAD_INPUT = 1, 2
BATCH = 50


class Command(BaseCommand):
    help = (
        "Recompute the load of sites now: those that are marked as changed, or --all, or each --site. With "
        "--as-of DATE, print their figures at the end of that day, as known now, and write nothing. "
        "Exit status: 0 done, 1 some site failed, 2 bad input."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        which = parser.add_mutually_exclusive_group()
        which.add_argument("--all", action="store_true", help="every site, marked or not")
        which.add_argument(
            "--site", action="append", metavar="CODE", dest="sites", help="this site; repeatable"
        )
        parser.add_argument(
            "--as-of", metavar="DATE", type=_day, help="print figures of a day such as 2026-03-01"
        )
        parser.add_argument(
            "--json",
            action="store_true",
            help="print one JSON object; with --as-of one a line for each site, with every figure",
        )

    def handle(self, *, sites: list[str] | None, as_of: dt.date | None, **options: Any) -> None:
        if as_of is not None:
            self._print_sites(_chosen(sites), as_of, as_json=options["json"])
            return
        swept = self._recompute(_chosen(sites)) if sites or options["all"] else sweep()
        self._print_swept(swept, as_json=options["json"])
        if swept.failed:
            sys.exit(FAILED)

    def _recompute(self, site_ids: Sequence[int]) -> Swept:
        """Recompute by batches. A batch is marked after it is claimed, so that no sweeper claims it first."""
        swept = Swept()
        for batch in self._batches(site_ids):
            with claimed_sites(batch) as claimed:
                mark_sites(claimed, reason="asked for", lane=Mark.Lane.BULK)
                swept.add(recheck(claimed))
        return swept

    def _print_swept(self, swept: Swept, *, as_json: bool) -> None:
        if as_json:
            failed = {_code_of(site_id): reason for site_id, reason in swept.failed.items()}
            self.stdout.write(json.dumps({"checked": swept.checked, "failed": failed}))
            return
        self.stdout.write(sites_recomputed(swept.checked))
        for site_id, reason in swept.failed.items():
            self.stdout.write(f"Site {_code_of(site_id)} failed: {reason}")

    def _print_sites(self, site_ids: Sequence[int], day: dt.date, *, as_json: bool) -> None:
        for batch in self._batches(site_ids):
            for site in sites_as_of(batch, day):
                if as_json:
                    self.stdout.write(json.dumps(_as_json(site), allow_nan=False))
                else:
                    self._print(site)

    def _print(self, site: SiteAsOf) -> None:
        console = Console(file=cast(IO[str], self.stdout), highlight=False)
        notable = [figure for figure in site.figures if figure.verdict > Verdict.WITHIN]
        within = len(site.figures) - len(notable)
        if notable:
            table = Table(title=f"{site.code} as of {site.day}", title_justify="left")
            for heading in ("subject", "limit", "figure", "limit value", "verdict"):
                table.add_column(heading, overflow="fold")
            for figure in notable:
                place = figure.places.likely
                subject = f"{figure.subject}, {place}" if place else figure.subject
                table.add_row(
                    Text(subject), figure.limit.title, *_figure_and_limit(figure), _words(figure.verdict)
                )
            console.print(table)
        else:
            console.print(Text(f"{site.code} as of {site.day}"))
        for problem in site.problems:
            console.print(Text(f"Cannot be computed: {problem}"))
        count = ngettext("%d figure is within its limit.", "%d figures are within their limits.", within)
        console.print(Text(count % within))

    def _batches(self, site_ids: Sequence[int]) -> Iterator[Sequence[int]]:
        """Batches, with a progress bar where there are several and a terminal."""
        batches = [site_ids[i : i + BATCH] for i in range(0, len(site_ids), BATCH)]
        shown = len(batches) > 1 and sys.stderr.isatty()
        return iter(
            track(
                batches, description="Sites", console=Console(stderr=True), disable=not shown, transient=True
            )
        )


def sites_recomputed(count: int) -> str:
    """ "1 site recomputed." or "3 sites recomputed."."""
    return ngettext("%d site recomputed.", "%d sites recomputed.", count) % count


def _chosen(codes: list[str] | None) -> list[int]:
    known = dict(Site.objects.order_by("id").values_list("code", "id"))
    if codes is None:
        return list(known.values())
    for code in codes:
        if code not in known:
            meant = did_you_mean(code, known)
            raise CommandError(f"--site {code}: no site has this code.{meant}", returncode=BAD_INPUT)
    return sorted({known[code] for code in codes})


def _code_of(site_id: int) -> str:
    return Site.objects.values_list("code", flat=True).get(pk=site_id)


def _day(text: str) -> dt.date:
    field = DayField()
    try:
        day: dt.date = field.clean(text, None)
    except ValidationError:
        raise CommandError(
            f"--as-of {shortened(text)}: expected {field.expected}", returncode=BAD_INPUT
        ) from None
    return day


def _words(verdict: Verdict) -> str:
    return verdict.name.lower().replace("_", " ")


def _figure_and_limit(figure: Figure) -> tuple[str, str]:
    limit, estimates = figure.limit, figure.estimates
    others = limit.other_estimates(estimates, figure.places)
    return f"{limit.band_text(estimates)}{others}", limit.limit_text(estimates.likely.limit)


def _as_json(site: SiteAsOf) -> dict[str, Any]:
    return {
        "site": site.code,
        "as_of": site.day.isoformat(),
        "figures": [
            {
                "code": figure.limit.code,
                "subject": figure.subject,
                "subject_kind": figure.subject_kind,
                "subject_id": figure.subject_id,
                **dict(zip(WORDS, (one.value for one in figure.estimates), strict=True)),
                **dict(zip(LIMITS, (one.limit for one in figure.estimates), strict=True)),
                "overloaded": figure.estimates.overloaded,
                "bounds": figure.estimates.bounds,
                "unit": figure.limit.unit,
                "verdict": figure.verdict.name.lower(),
                **dict(zip(("low_place", "place", "high_place"), figure.places, strict=True)),
            }
            for figure in site.figures
        ],
        "problems": site.problems,
    }
