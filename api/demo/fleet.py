"""The demo's record, from migrations and the as-built files of the invented fleet."""

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
    """Migrate the database and import the demo's files, unless that is done already.

    Raises DemoError where the database has sites of another record.
    """
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
        return
    output = io.StringIO()
    try:
        call_command("asbuilt", "import", *map(str, folders), stdout=output, stderr=output)
    except (CommandError, SystemExit) as error:
        raise DemoError(f"Import of the demo's files failed: {error}\n{output.getvalue()}") from error
    say(output.getvalue().strip())
