"""The good rows are taken, and the others come back as files that can be put right and taken too."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable

import pytest

from sites.models import Closet, Coverage, Site, Supply, SupplyFacts
from zones.asbuilt.problems import place_of
from zones.asbuilt.rejected_rows import rejected_files
from zones.asbuilt.resolving import Importer
from zones.asbuilt.services import Imported, import_files
from zones.models import Landing, Point, PointFacts, Run, Test

from .folders import NOW, Folder, as_files, pier, record_of, take, versions_of

pytestmark = pytest.mark.django_db
IMPORTER = Importer("Mila Quay", NOW)


def rows_aside(done: Imported, name: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(done.rejected[name].decode("utf-8-sig"))))


def test_a_bad_row_and_what_needs_it_go_aside_and_the_rest_is_written() -> None:
    folder = pier()
    folder["points"][1]["length_m"] = "eight"
    done = take(folder, accept_good=True)
    assert [place_of(p) for p in done.problems] == [("points.csv", 3, "length_m")]
    assert set(Point.objects.values_list("name", flat=True)) == {"P1"}
    assert Landing.objects.count() == 10
    aside = rows_aside(done, "points.csv")
    assert [(row["point"], row["length_m"]) for row in aside] == [("P2", "eight"), ("rest", ""), ("P3", "~5")]
    assert aside[0]["problem"] == "length_m: “eight” is not a number such as 12 or 12.5"
    assert aside[1]["problem"] == "waits for points.csv, row 3"
    assert done.waiting == 3  # two points, and a reading at one of them
    assert rows_aside(done, "tests.csv")[0]["problem"] == "waits for points.csv, row 3"


def test_put_right_the_files_aside_import_to_what_the_whole_folder_would_have_been() -> None:
    take(pier())
    whole = record_of(Site.objects.get())
    whole_points = whole.pop("point_facts"), whole.pop("point"), whole.pop("reading"), whole.pop("change_set")

    folder = pier("quay")
    folder["points"][1]["length_m"] = "eight"
    done = take(folder, accept_good=True)
    right = {name: content.replace(b"eight", b"8") for name, content in done.rejected.items()}
    again = import_files(right, IMPORTER)
    assert not again.problems
    assert again.written == {"changes": 1, "points": 3, "tests": 1}
    found = record_of(Site.objects.get(code="quay"))
    points = found.pop("point_facts"), found.pop("point"), found.pop("reading"), found.pop("change_set")
    assert found == whole
    # the same facts from the same steps on; only who wrote the late ones differs
    assert [len(rows) for rows in points[:3]] == [len(rows) for rows in whole_points[:3]]
    assert len(points[3]) == len(whole_points[3]) + 1
    steps = PointFacts.objects.filter(site__code="quay").values_list("point__name", "step")
    assert set(steps) == set(PointFacts.objects.filter(site__code="pier").values_list("point__name", "step"))
    assert import_files(right, IMPORTER).nothing_new


@pytest.mark.parametrize(
    ("spoil", "written", "aside"),
    [
        pytest.param(
            lambda f: f["closets"][0].update(ladder_m="tall"),
            {"sites", "zones", "paging_sets", "changes"},
            {"closets", "switches", "supplies", "endpoints", "blocks", "runs", "points", "landings"},
            id="a closet takes all that stands in it",
        ),
        pytest.param(
            lambda f: f["changes"][1].update(day="14 March"),
            {"sites", "supplies", "runs", "points"},
            {"changes", "points", "clips", "tests"},
            id="a change takes what it did",
        ),
        pytest.param(
            lambda f: f["sites"][0].update(time_zone="Halifax"),
            {"customers", "contracts", "device_models"},
            {"sites", "coverages", "changes", "zones", "points"},
            id="a site takes everything of it",
        ),
        pytest.param(
            lambda f: f["supplies"][1].update(model="supply 3 A"),
            {"supplies", "runs", "landings"},
            {"supplies"},
            id="later facts go alone",
        ),
        pytest.param(
            lambda f: f["supplies"][0].update(model="supply 3 A"),
            {"closets", "zones", "endpoints"},
            {"supplies", "runs", "points", "landings"},
            id="first facts take the thing",
        ),
        pytest.param(
            lambda f: f["device_models"][1].update(full_output_current_a="lots"),
            {"device_models", "points"},
            {"device_models", "points"},
            id="a model takes the points of it",
        ),
    ],
)
def test_what_goes_aside_with_what(
    spoil: Callable[[Folder], object], written: set[str], aside: set[str]
) -> None:
    folder = pier()
    spoil(folder)
    done = take(folder, accept_good=True)
    assert len(done.problems) == 1
    assert written <= set(done.written)
    assert {f"{name}.csv" for name in aside} <= set(done.rejected)


def test_rows_aside_bring_the_changes_that_they_name() -> None:
    folder = pier()
    folder["points"][3]["pairs"] = "one"
    done = take(folder, accept_good=True)
    assert set(done.rejected) == {"points.csv", "changes.csv"}
    assert [row["problem"] for row in rows_aside(done, "changes.csv")] == [""] * 4


def test_a_reading_aside_brings_the_one_that_it_supersedes() -> None:
    folder = pier()
    folder["tests"][1]["value"] = "0,12"
    done = take(folder, accept_good=True)
    assert Test.objects.count() == 2
    right = {name: content.replace(b'"0,12"', b"0.12") for name, content in done.rejected.items()}
    assert import_files(right, IMPORTER).written == {"changes": 1, "tests": 1}
    assert Test.objects.get(value=0.12).supersedes == Test.objects.get(value=0.21)


def test_the_end_that_is_refused_keeps_the_next_of_the_name_waiting() -> None:
    folder = pier()
    ps1 = {"site": "pier", "name": "PS1", "closet": "C1"}
    folder["supplies"] = [
        ps1 | {"model": "supply 1 A"},
        ps1 | {"change": "more", "model": "supply 9 A", "ends": "swap"},
        ps1 | {"change": "swap", "model": "supply 2 A"},
    ]
    done = take(folder, accept_good=True)
    assert [place_of(p)[1:] for p in done.problems] == [(3, "model")]
    assert list(Supply.objects.values_list("end_step", flat=True)) == [None]
    assert SupplyFacts.objects.count() == 1
    assert [row["problem"] for row in rows_aside(done, "supplies.csv")][1] == "waits for supplies.csv, row 3"


def test_a_row_of_a_range_goes_as_a_whole() -> None:
    folder = pier()
    folder["landings"][1]["row"] = "25-26"
    done = take(folder, accept_good=True)
    assert [(place_of(p)[1], p.code) for p in done.problems] == [(3, "invalid")]
    assert not Landing.objects.filter(row=25).exists()
    assert [row["row"] for row in rows_aside(done, "landings.csv")] == ["25-26"]


def test_semicolons_and_commas_come_back_as_they_were() -> None:
    folder = pier()
    folder["points"][1] |= {"length_m": "8,25", "pairs": "two"}
    done = import_files(as_files(folder, separator=";"), IMPORTER, accept_good=True)
    content = done.rejected["points.csv"]
    assert content.startswith(b"\xef\xbb\xbfsite;run;point;")
    right = {name: text.replace(b"two", b"2") for name, text in done.rejected.items()}
    import_files(right, IMPORTER)
    assert PointFacts.objects.get(point__name="P2").length_m == 8.25


def test_a_dry_run_shows_what_would_go_aside_and_writes_nothing() -> None:
    folder = pier()
    folder["points"][1]["length_m"] = "eight"
    done = take(folder, accept_good=True, dry_run=True)
    assert set(done.rejected) == {"points.csv", "tests.csv", "changes.csv"}
    assert not Site.objects.exists()
    assert not Run.objects.exists()
    assert not Closet.objects.exists()


def test_nothing_goes_aside_where_all_is_good() -> None:
    assert rejected_files({}, {}) == {}
    assert take(pier(), accept_good=True).rejected == {}


def corrected(code: str, before: str) -> Folder:
    """A pier whose P1 was recorded with another length until it was measured."""
    folder = pier(code)
    folder["points"][0]["revised_by"] = "recount"
    row = {
        "site": code, "change": "recount", "file": "points", "thing": "run=R1 | point=P1",
        "held_since": "built", "column": "length_m", "before": before, "after": "30",
    }  # fmt: skip
    folder["corrections"] = [row]
    return folder


@pytest.mark.parametrize("before", ["far", "30"])
def test_a_bad_correction_puts_its_whole_site_aside_and_no_other(before: str) -> None:
    """A change set is never added to: what stood before could not follow later."""
    both = {name: [*rows, *corrected("quay", before)[name]] for name, rows in corrected("pier", "25").items()}
    both |= {name: pier()[name] for name in ("device_models", "cable_types", "customers", "contracts")}
    done = take(both, accept_good=True)
    assert [place_of(p)[:2] for p in done.problems] == [("corrections.csv", 3)]
    assert set(Site.objects.values_list("code", flat=True)) == {"pier"}
    assert not Coverage.objects.exclude(site__code="pier").exists()
    assert rows_aside(done, "points.csv")[0]["problem"] == "waits for corrections.csv, row 3"
    right = {
        name: content.replace(f",{before},30".encode(), b",25,30") for name, content in done.rejected.items()
    }
    assert not import_files(right, IMPORTER).problems
    pier_, quay = Site.objects.get(code="pier"), Site.objects.get(code="quay")
    found, wanted = record_of(quay), record_of(pier_)
    assert found == wanted
    assert versions_of(quay) == versions_of(pier_)


def test_a_correction_of_a_recorded_change_is_not_left_out_silently() -> None:
    """The change was recorded without the row: the row now comes by a record correction of today."""
    folder = corrected("pier", "25")
    rest = folder.pop("corrections")
    more = {name: folder.pop(name) for name in ("points", "tests")}
    take(folder)
    folder |= {"points": more["points"][:1], "corrections": rest}
    done = take(folder, accept_good=True)
    assert [place_of(p) for p in done.problems] == [("corrections.csv", 2, "change")]
    assert "does not say that this correction rewrote it so" in done.problems[0].detail
    assert not Point.objects.exists()
