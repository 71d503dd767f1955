"""The demo's record, from migrations and the as-built files of the invented fleet."""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Callable
from pathlib import Path

from django.conf import settings
from django.core.management import CommandError, call_command
from django.utils import timezone

from sites.models import Site
from zones.models import ProofsKept

from .processes import DemoError

FOLDERS = ("catalogue", "larkmoor")
PROOFS_KEPT_DAYS = 300
"""For how long the demo has kept proofs of runs on its first day. No test is due sooner than its interval
after the day from which they are kept: one that is due every six months may be overdue, one of every year
is not."""


def ensure_fleet(*, say: Callable[[str], None]) -> None:
    """Migrate the database, import the demo's files, unless that is done already, and compute every load.

    Raises DemoError where the database has sites of another record.
    """
    say("Making the tables and recording the demo's fleet: the first time this takes a while.")
    call_command("migrate", verbosity=0)
    folders = [Path(settings.BASE_DIR) / "fixtures" / name for name in FOLDERS]
    expected = {line.split(",", 1)[0] for line in (folders[-1] / "sites.csv").read_text().splitlines()[1:]}
    recorded = set(Site.objects.values_list("code", flat=True))
    if recorded - expected:
        raise DemoError(
            f"The database has sites that are not the demo's, such as {min(recorded - expected)}. Give the "
            "demo its own folder (--data DIR) or its own database (DATABASE_URL)."
        )
    if recorded == expected:
        say("The demo's fleet is already recorded.")
    else:
        say(_output("Import of the demo's files", "asbuilt", "import", *map(str, folders)))
        keep_proofs(timezone.now().date())
    # Who opens the first page sees the findings, however long the sweeper takes to start
    say(_output("Computing the loads", "sweep"))


def keep_proofs(today: dt.date) -> None:
    """Proofs count as kept for ``PROOFS_KEPT_DAYS`` by ``today``, not since the database was made."""
    since = today - dt.timedelta(days=PROOFS_KEPT_DAYS)
    ProofsKept.objects.update_or_create(pk=1, defaults={"since": since})


def _output(doing: str, *command: str) -> str:
    """What a command prints.

    Raises DemoError where it fails.
    """
    output = io.StringIO()
    try:
        call_command(*command, stdout=output, stderr=output)
    except (CommandError, SystemExit) as error:
        raise DemoError(f"{doing} failed: {error}\n{output.getvalue()}") from error
    return output.getvalue().strip()
