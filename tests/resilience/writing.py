"""A process that writes the record through one channel, change set after change set, as fast as it can.

python -m tests.resilience.writing WHAT, WHAT being JSON: the channel (``service``, ``rows``, ``rest`` or
``import``), how many change sets at least, a seed, and the ids that it needs. Prints the ids of its sites.
"""

from __future__ import annotations

import csv
import json
import sys
import tempfile
from collections import Counter
from pathlib import Path
from typing import Any

import django

django.setup()

from django.apps import apps  # noqa: E402 - Django must be set up first
from django.conf import settings  # noqa: E402
from django.core.management import call_command  # noqa: E402
from django.test import Client  # noqa: E402

from sites.models import Contract, Site  # noqa: E402
from sites.models.changes import ChangeSet  # noqa: E402
from tests.oracle.histories.catalogue import Catalogue  # noqa: E402
from tests.oracle.histories.playing import History  # noqa: E402
from tests.resilience.pausing import end_with_parent  # noqa: E402

CHANGE_SETS_A_SITE = 40
FIXTURES = Path(settings.BASE_DIR) / "fixtures"


def main(what: dict[str, Any]) -> None:
    sites = import_sites(what) if what["channel"] == "import" else play(what)
    print(json.dumps(sites))


# --- histories ------------------------------------------------------------------------------------------


class ByRows(History):
    """Writes rows by SQL whenever it can, once there is something to write to."""

    def _go_on(self, day: Any) -> bool:
        return self._write_rows(day) if self.rng.random() < 0.7 else super()._go_on(day)


class ByRest(History):
    """Drafts over REST, and accepts what it drafted; only the beginning of a site, which takes it over, comes
    through the service."""

    client: Client

    def _accept(self, bodies: Any, day: Any, kind: Any = None) -> bool:
        if kind is not None:
            return super()._accept(bodies, day, kind)
        known = [{name: self.things.known(value) for name, value in body.items()} for body in bodies]
        draft = self._post(
            "/api/v1/change-sets",
            {"site_id": self.site_id, "reason": "as agreed", "happened_on": f"{day}", "operations": known},
        )
        accepted = draft and self._post(
            f"/api/v1/change-sets/{draft['id']}/accept", {}, {"If-Match": draft["etag"]}
        )
        if not accepted:
            return False
        made = [
            [_models()[result["kind"]]._default_manager.get(pk=pk) for pk in result["ids"]]
            for result in accepted["results"]
        ]
        self.things.note(known, [rows[0] if len(rows) == 1 else rows for rows in made])
        self._accepted(day)
        return True

    def _post(self, path: str, body: dict[str, Any], headers: dict[str, str] | None = None) -> dict[str, Any]:
        answer = self.client.post(path, body, content_type="application/json", headers=headers)
        if answer.status_code >= 500 or answer.status_code in (401, 403, 404, 429):
            raise RuntimeError(f"{path}: {answer.status_code} {answer.content!r}")
        if answer.status_code >= 400:
            self.tally.refused[answer.json()["code"]] += 1
            return {}
        return {**answer.json(), "etag": answer["ETag"]}


_ENDED: Any = object()
CHANNELS: dict[str, type[History]] = {"service": History, "rows": ByRows, "rest": ByRest}


def play(what: dict[str, Any]) -> list[int]:
    """Histories of ``CHANGE_SETS_A_SITE`` change sets, two at a time, so that each site is written to while
    it is rechecked."""
    contract = Contract.objects.get(pk=what["contract"])
    if what["channel"] == "rest":
        ByRest.client = Client(SERVER_NAME="localhost", headers={"Authorization": f"Bearer {what['token']}"})
    histories: list[History] = []
    accepted = 0
    while accepted < what["change_sets"]:
        seed = what["seed"] * 1000 + len(histories)
        pair = [
            CHANNELS[what["channel"]](seed + k, Catalogue(**what["catalogue"]), contract) for k in range(2)
        ]
        playing = [history.play(CHANGE_SETS_A_SITE) for history in pair]
        while playing:
            playing = [each for each in playing if next(each, _ENDED) is not _ENDED]
        accepted += sum(history.tally.accepted for history in pair)
        histories += pair
    print(accepted, sum((history.tally.refused for history in histories), Counter()), file=sys.stderr)
    return [history.site_id for history in histories]


def _models() -> dict[str, Any]:
    """By the word that the answer to a change set says for what it made."""
    return {str(model._meta.verbose_name).replace(" ", "_"): model for model in apps.get_models()}


# --- as-built files -------------------------------------------------------------------------------------


def import_sites(what: dict[str, Any]) -> list[int]:
    """The invented fleet, again and again, each time under other site codes."""
    sites: list[int] = []
    while ChangeSet.objects.filter(site__in=sites).count() < what["change_sets"]:
        suffix = f"-{what['seed']}-{len(sites)}"
        before = set(Site.objects.values_list("pk", flat=True))
        with tempfile.TemporaryDirectory() as folder:
            codes = _copy_under_other_codes(Path(folder), suffix)
            call_command("asbuilt", "import", FIXTURES / "catalogue", folder, verbosity=0, stdout=sys.stderr)
        sites += Site.objects.filter(code__in=codes).exclude(pk__in=before).values_list("pk", flat=True)
    return sites


def _copy_under_other_codes(folder: Path, suffix: str) -> list[str]:
    codes = []
    for source in sorted((FIXTURES / "larkmoor").glob("*.csv")):
        with source.open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
            names = list(rows[0])
        column = "code" if source.stem == "sites" else "site"
        for row in rows:
            if column in row:
                row[column] += suffix
                codes += [row[column]] if column == "code" else []
        with (folder / source.name).open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, names)
            writer.writeheader()
            writer.writerows(rows)
    return codes


if __name__ == "__main__":
    end_with_parent()
    main(json.loads(sys.argv[1]))
