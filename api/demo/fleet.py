"""The demo's record: migrations, and the as-built files of the invented fleet, imported where they are
not."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

from django.conf import settings
from django.core.management import CommandError, call_command

from sites.models import Site

from .processes import DemoError

FOLDERS = ("catalogue", "larkmoor")


def ensure_fleet(*, say: Callable[[str], None]) -> None:
    """Migrate the database and import the demo's files; both do nothing where it is done already.

    Raises DemoError where the database holds another record: the demo is no guest in somebody's data.
    """
    call_command("migrate", verbosity=0)
    folders = [Path(settings.BASE_DIR) / "fixtures" / name for name in FOLDERS]
    ours = {line.split(",", 1)[0] for line in (folders[-1] / "sites.csv").read_text().splitlines()[1:]}
    there = set(Site.objects.values_list("code", flat=True))
    if there - ours:
        raise DemoError(
            f"The database holds other sites than the demo's, such as {min(there - ours)}. Give the demo a "
            "folder of its own (--data DIR), or a database of its own (DATABASE_URL)."
        )
    if there == ours:
        say("The demo's fleet is there already.")
        return
    told = io.StringIO()
    try:
        call_command("asbuilt", "import", *map(str, folders), stdout=told, stderr=told)
    except (CommandError, SystemExit) as error:
        raise DemoError(f"The demo's files could not be imported: {error}\n{told.getvalue()}") from error
    say(told.getvalue().strip())
