"""What is exported imports to the same record: ids, who recorded it when, and what an operation was, aside.

The record is compared table by table (``record_of``), not file by file: an export that forgot something would
agree with itself.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import random
from contextlib import suppress
from pathlib import Path

import pytest

from sites.changes.errors import ChangeRefused
from sites.changes.services import change_accept
from sites.models import Closet, Site
from sites.models.changes import ChangeSet
from tests.factories import change
from tests.zones.test_replay import Naive, built_before, random_operation, replay
from zones.asbuilt.resolving import Importer
from zones.asbuilt.services import Imported, export_folder, import_files
from zones.models import Point, Test

from .folders import (
    NOW,
    change_row,
    content_of,
    pier,
    point,
    record_of,
    take,
    versions_of,
    with_tests_of_every_kind,
)

pytestmark = pytest.mark.django_db


def exported(site: Site, folder: Path) -> dict[str, bytes]:
    export_folder(folder, sites=Site.objects.filter(pk=site.pk))
    return content_of(folder)


def taken_as_another(files: dict[str, bytes], site: Site, now: dt.datetime = NOW) -> tuple[Site, Imported]:
    """Import the files of a site as those of a new one: only its code is another."""
    return taken_as(files, site, "another", now)


def taken_as(files: dict[str, bytes], site: Site, code: str, now: dt.datetime = NOW) -> tuple[Site, Imported]:
    renamed = {}
    for name, content in files.items():
        rows = list(csv.DictReader(io.StringIO(content.decode())))
        for row in rows:
            for column in ("site", "code"):
                if row.get(column) == site.code:
                    row[column] = code
        out = io.StringIO()
        writer = csv.DictWriter(out, rows[0])
        writer.writeheader()
        writer.writerows(rows)
        renamed[name] = out.getvalue().encode()
    done = import_files(renamed, Importer("Mila Quay", now))
    return Site.objects.get(code=code), done


def assert_round_trip(site: Site, folder: Path) -> None:
    files = exported(site, folder / "first")
    another, done = taken_as_another(files, site)
    assert not done.problems
    assert record_of(another) == record_of(site)
    assert versions_of(another) == versions_of(site)
    # and what it is exported as the second time is the same text
    again = exported(another, folder / "second")
    assert {name: content.replace(b"another", site.code.encode()) for name, content in again.items()} == files
    assert import_files(files, Importer("Mila Quay", NOW)).nothing_new


def test_files_of_every_kind(tmp_path: Path) -> None:
    take(pier())
    assert_round_trip(Site.objects.get(), tmp_path)


def test_tests_of_every_kind_with_their_visits_and_instruments(tmp_path: Path) -> None:
    folder = with_tests_of_every_kind()
    take(folder)
    assert Test.objects.exclude(visit=None).count() == len(folder["tests"]) - 3
    assert_round_trip(Site.objects.get(), tmp_path)


def test_a_change_of_a_day_to_come_stays_planned(tmp_path: Path) -> None:
    folder = pier()
    folder["changes"][-1] |= {"day": "2199-12-31", "planned": "yes"}
    take(folder)
    planned = ChangeSet.objects.filter(site__isnull=False, planned=True)
    assert [row.reason for row in planned] == ["counted"]
    assert_round_trip(Site.objects.get(), tmp_path)


def test_who_did_the_work_stays(tmp_path: Path) -> None:
    folder = pier()
    folder["changes"][1]["done_by"] = "Hallam Crew"
    take(folder)
    assert_round_trip(Site.objects.get(), tmp_path)
    assert ChangeSet.objects.filter(done_by="Hallam Crew").count() == 2


def test_corrections_ends_and_names_used_again(tmp_path: Path) -> None:
    folder = pier()
    fix = change_row("fix", "2025-02-01", "measured")
    folder["changes"] += [fix | {"kind": "correction"}, fix | {"change": "call", "reason": "new number"}]
    folder["supplies"] = [
        {
            "site": "pier",
            "name": "PS1",
            "closet": "C1",
            "model": "supply 1 A",
            "ends": "swap",
            "described_by": "call",
        },
        {
            "site": "pier",
            "name": "PS1",
            "closet": "C1",
            "model": "supply 2 A",
            "change": "swap",
            "revised_by": "fix",
        },
    ]
    folder["runs"].append(folder["runs"][0] | {"change": "swap", "revised_by": "fix"})
    folder["landings"].append(folder["landings"][2] | {"change": "swap"})
    folder["landings"][2] |= {"change": "built", "ends": "swap"}
    folder["closets"].append(
        {"site": "pier", "name": "C2", "change": "built", "described_by": "fix", "ends": "more"}
    )
    folder["contacts"][0]["change"] = "call"
    folder["sites"][0]["change"] = "call"
    folder["points"] += [
        point("P2", parent="P1", change="swap", kind="splice", model="", length_m="8"),
        point("P1a", parent="P1", change="swap", length_m="4", revised_by="fix", order="1.25"),
    ]
    take(folder)
    assert_round_trip(Site.objects.get(), tmp_path)


def test_text_that_a_file_could_trip_over(tmp_path: Path) -> None:
    folder = pier()
    folder["closets"][0] |= {
        "note": "two\nlines, “quoted”, 'single' and \"double\"; a | bar \\ and a tab\tin it",
        "directions": "'=SUM(A1)",
        "opened_by": "''quoted",
        "room": "?",
        "escort": "'-1",
    }
    folder["zones"][0] |= {"name": "Hall | A", "groups": r"north \| south | =all"}
    folder["paging_sets"][0]["zones"] = r"Hall \| A | Gangway"
    folder["runs"][0]["zone"] = "Hall | A"
    take(folder)
    site = Site.objects.get()
    assert_round_trip(site, tmp_path)
    assert site.name == "Ébb Pier"


def test_where_a_key_hangs_is_imported_and_never_exported(tmp_path: Path) -> None:
    folder = pier()
    folder["closets"][0]["key_location"] = "third hook behind the ice machine"
    take(folder)
    site = Site.objects.get()
    files = exported(site, tmp_path)
    assert not any(b"ice machine" in content or b"key_location" in content for content in files.values())
    # and taken again, what the files do not say stays as it is recorded
    assert import_files(files, Importer("Mila Quay", NOW)).nothing_new
    assert Closet.objects.get(site=site, name=folder["closets"][0]["name"]).key_location


def test_an_empty_record_exports_to_nothing(tmp_path: Path) -> None:
    assert export_folder(tmp_path / "out") == {}
    assert list((tmp_path / "out").iterdir()) == []


@pytest.mark.parametrize("seed", range(6))
def test_a_random_history_of_operations(seed: int, tmp_path: Path) -> None:
    """Points appended, inserted, rerouted, removed, corrected; supplies swapped; clips pulled."""
    rng = random.Random(seed)
    first = dt.date(2025, 1, 1)
    site, run, things, ratings = built_before(first)
    now, ids = Naive(supply_ratings={"PS": 1.0}), dict[str, int]()
    for day in range(12):
        happened_on = first + dt.timedelta(days=day)
        for _ in range(rng.randint(1, 4)):
            operation = random_operation(rng, now, ids, things)
            names = {pk: name for name, pk in ids.items()}
            try:
                change_accept(change(site, happened_on=happened_on), [operation])
            except ChangeRefused:
                continue
            replay(now, operation, names, ratings)
            ids = dict(Point.objects.filter(run=run).values_list("name", "pk"))
        if ids and rng.random() < 0.5:
            corrected = {"op": "point.correct", "point_id": rng.choice(list(ids.values())), "length_m": 7.7}
            # refused where the segment that was cut is shorter
            with suppress(ChangeRefused):
                change_accept(
                    change(site, happened_on=happened_on, kind=ChangeSet.Kind.CORRECTION),
                    [corrected | {"length_basis": "measured"}],
                )
    assert Point.objects.count() > 3
    assert_round_trip(site, tmp_path)


def test_only_what_is_asked_for_and_what_it_names(tmp_path: Path) -> None:
    take(pier())
    take({"device_models": [{"name": "spare", "kind": "horn"}], "customers": [{"code": "b", "name": "B"}]})
    export_folder(tmp_path / "all")
    export_folder(tmp_path / "one", sites=Site.objects.filter(code="pier"))
    spare = "spare,horn"
    assert spare in (tmp_path / "all" / "device_models.csv").read_text()
    assert spare not in (tmp_path / "one" / "device_models.csv").read_text()
    said = "code,name,probably_past_opens_cases,technicians_accept,note\nebb,Ebb Ferries,no,yes,\n"
    assert (tmp_path / "one" / "customers.csv").read_text() == said


def test_files_that_are_there_are_not_overwritten_unasked(tmp_path: Path) -> None:
    take(pier())
    (tmp_path / "zones.csv").write_text("mine")
    with pytest.raises(FileExistsError, match=r"zones\.csv"):
        export_folder(tmp_path)
    assert (tmp_path / "zones.csv").read_text() == "mine"
    export_folder(tmp_path, overwrite=True)
    assert (tmp_path / "zones.csv").read_text().startswith("site,name,change,")
    assert not list(tmp_path.glob("*.part"))
