"""`manage.py pictures [FOLDER]`: pictures of the demo's pages, for README."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Final, NamedTuple

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser

from api.demo.processes import free_port

FOLDER: Final = "api/pages/pictures"
DESK, PHONE = (1280, 900), (390, 844)
FLAGS: Final = ("--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-sync")
NEEDS: Final = "install requirements-dev.txt, and Chromium as the program `chromium`"


class Picture(NamedTuple):
    """resource, thing: of the API, and which of the site's things the page `path` shows; blank: `path` is the
    whole address. part: of the page, which stands at the top."""

    name: str
    path: str
    resource: str = ""
    thing: str = ""
    size: tuple[int, int] = DESK
    scheme: Any = "light"
    site: str = "merrow-harbour"
    part: str = ""


PICTURES: Final = (
    Picture("fleet", "fleet"),
    Picture("closet", "closets", "closets", "MDF"),
    Picture("closet-phone", "closets", "closets", "MDF", PHONE, "dark"),
    Picture("zone-history", "zones/{id}/history", "zones", "Concourse"),
    Picture("block", "blocks", "blocks", "MDF-A", PHONE),
    Picture("run", "runs", "runs", "GC-1", PHONE),
    Picture("trend", "runs", "runs", "SD", (1280, 530), site="lac-dore", part="#trends"),
)


class Command(BaseCommand):
    help = (
        "Take the pictures that README shows: serves the demo with a database of its own, opens pages in a "
        f"browser without a window, and writes PNG files. Before that, {NEEDS}."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("folder", nargs="?", default=FOLDER, help=f"where to (default: {FOLDER})")

    def handle(self, *, folder: str, **_options: Any) -> None:
        target = Path(folder)
        try:
            target.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise CommandError(
                f"{folder} cannot be written ({error.strerror}): expected a folder.", returncode=2
            ) from error
        browser = shutil.which("chromium")
        if browser is None or find_spec("playwright") is None:
            raise CommandError(f"{'playwright' if browser else 'chromium'} is missing: {NEEDS}.")
        with _demo() as demo:
            _take(demo, target, browser)
        self.stdout.write(f"{len(PICTURES)} pictures in {target}")


@contextmanager
def _demo() -> Iterator[dict[str, Any]]:
    """Address and log-ins of a demo that runs while the pictures are taken."""
    with tempfile.TemporaryDirectory(prefix="zonebook-pictures-", ignore_cleanup_errors=True) as data:
        Path(data).chmod(0o755)
        own = {key: value for key, value in os.environ.items() if not key.startswith("DATABASE_")}
        program = [sys.executable, "manage.py", "demo", "--json", "--port", str(free_port())]
        demo = subprocess.Popen(
            program,
            cwd=settings.BASE_DIR,
            env={**own, "ZONEBOOK_DATA": data},
            stdout=subprocess.PIPE,
            text=True,
        )
        try:
            assert demo.stdout is not None
            said = demo.stdout.readline()
            if not said:
                raise CommandError(f"the demo did not start: it ended with {demo.wait()}")
            yield json.loads(said)
        finally:
            demo.terminate()
            demo.wait()


def _take(demo: dict[str, Any], target: Path, program: str) -> None:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=FLAGS)
        page = browser.new_page(base_url=demo["url"])
        page.goto("/log-in")
        page.get_by_label("Username").fill(demo["logins"]["manager"]["user"])
        page.get_by_label("Password").fill(demo["logins"]["manager"]["password"])
        page.get_by_role("button", name="Log in").click()

        def found(resource: str, query: str, name: str = "") -> int:
            items = page.request.get(f"/api/v1/{resource}?{query}&page_size=500").json()["items"]
            return next(int(one["id"]) for one in items if name in ("", one["name"]))

        for one in PICTURES:
            address = f"/{one.path}"
            if one.resource:
                site = found("sites", f"code={one.site}")
                thing = found(one.resource, f"site_id={site}", one.thing)
                address = address.format(id=thing) if "{id}" in address else f"{address}/{thing}"
            page.set_viewport_size({"width": one.size[0], "height": one.size[1]})
            page.emulate_media(color_scheme=one.scheme)
            page.goto(address + one.part)
            page.screenshot(path=target / f"{one.name}.png")
        browser.close()
