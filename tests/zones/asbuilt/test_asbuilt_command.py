"""`manage.py asbuilt`: what a person or a script sees of it."""

from __future__ import annotations

import json
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError

from sites.access.scope import Scope
from sites.changes.errors import ChangeRefused
from sites.models import Closet, Site
from sites.models.access import User
from sites.models.changes import ChangeSet
from zones.asbuilt.format_page import render
from zones.asbuilt.problems import place_of

from .folders import as_files, pier, take

pytestmark = pytest.mark.django_db


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    path = tmp_path / "in"
    path.mkdir()
    for name, content in as_files(pier()).items():
        (path / name).write_bytes(content)
    return path


def run(*words: Any) -> tuple[int, str, str]:
    """Exit status, standard output, standard error."""
    out, err = StringIO(), StringIO()
    try:
        call_command("asbuilt", *map(str, words), stdout=out, stderr=err, no_color=True)
    except SystemExit as end:
        return int(end.code or 0), out.getvalue(), err.getvalue()
    except CommandError as error:
        return error.returncode, out.getvalue(), str(error)
    return 0, out.getvalue(), err.getvalue()


def test_in_and_out_and_in_again(folder: Path, tmp_path: Path) -> None:
    status, out, _ = run("import", folder)
    assert status == 0
    assert "4 points" in out
    rows = sum(map(len, pier().values()))
    assert run("import", folder)[1] == f"Nothing to write: the record holds all {rows} rows already.\n"
    status, out, _ = run("export", tmp_path / "out", "--site", "pier")
    assert status == 0
    assert "4 points" in out
    assert run("import", tmp_path / "out")[1].startswith("Nothing to write")


def test_a_dry_run(folder: Path) -> None:
    status, out, _ = run("import", folder, "--dry-run")
    assert (status, Site.objects.count()) == (0, 0)
    assert out.startswith("Would write ")


def test_problems_are_listed_with_their_places(folder: Path) -> None:
    with (folder / "zones.csv").open("a") as file:
        file.write("peer,Deck\n")
    status, out, err = run("import", folder)
    assert (status, out) == (2, "")
    assert "zones.csv, row 4, column site: there is no site “peer”" in err
    assert "1 problem; nothing was written." in err


def test_json_for_scripts(folder: Path) -> None:
    status, out, err = run("import", folder, "--json")
    summary = json.loads(out)
    assert (status, err, summary["ok"], summary["dry_run"]) == (0, "", True, False)
    assert summary["written"]["points"] == 4
    accepted = ChangeSet.objects.filter(site__isnull=False).order_by("id")
    assert summary["change_sets"] == list(accepted.values_list("id", flat=True))
    (folder / "zones.csv").write_text("site,nam\n")
    status, out, _ = run("import", folder, "--json")
    assert status == 2
    assert [
        (problem["file"], problem["row"], problem["column"]) for problem in json.loads(out)["problems"]
    ] == [
        ("zones.csv", 1, "nam"),
        ("zones.csv", 1, "name"),
    ]


def test_accept_good_writes_files_to_clarify(folder: Path, tmp_path: Path) -> None:
    text = (folder / "closets.csv").read_text().replace("2.4", "tall")
    (folder / "closets.csv").write_text(text)
    aside = tmp_path / "aside"
    status, out, err = run("import", folder, "--accept-good", "--aside", aside)
    assert status == 3
    assert out.startswith("Wrote ")
    assert "closets.csv, row 2, column ladder_m: “tall” is not a number" in err
    assert f"these are in {aside}" in err
    (aside / "closets.csv").write_text((aside / "closets.csv").read_text().replace("tall", "2.4", 1))
    status, out, _ = run("import", aside)
    assert status == 0
    assert Closet.objects.get().ladder_m == 2.4
    # what is in the way is not overwritten
    status, _, err = run("import", folder, "--accept-good", "--aside", aside)
    assert status == 2
    assert "holds files already" in err


def test_a_folder_to_clarify_that_cannot_be_made_is_refused_before_anything_is_written(
    folder: Path, tmp_path: Path
) -> None:
    (folder / "closets.csv").write_text((folder / "closets.csv").read_text().replace("2.4", "tall"))
    (tmp_path / "file").touch()
    status, _, err = run("import", folder, "--accept-good", "--aside", tmp_path / "file" / "aside")
    assert (status, err) == (2, f"{tmp_path}/file/aside cannot be written: name another folder with --aside")
    assert not Site.objects.exists()


def test_who_did_the_work_is_said_for_sites_without_a_change(tmp_path: Path) -> None:
    row = "a-1,strand,Quay 1\n"
    (tmp_path / "customers.csv").write_text("code,name\nstrand,Strand Ferries\n")
    (tmp_path / "sites.csv").write_text(f"code,customer,name\n{row}")
    said = ["--day", "2026-02-03", "--person", "Office", "--reason", "survey", "--done-by", "Hallam Crew"]
    assert run("import", tmp_path, *said)[0] == 0
    change_set = ChangeSet.objects.get(site__code="a-1")
    assert (change_set.actor, change_set.done_by) == ("Office", "Hallam Crew")


def test_who_imported(folder: Path, manager: User) -> None:
    assert run("import", folder, "--user", manager.username)[0] == 0
    assert {change_set.user for change_set in ChangeSet.objects.filter(site__isnull=False)} == {manager}
    assert "Ida Vole" in ChangeSet.objects.values_list("actor", flat=True)
    status, _, err = run("import", folder, "--user", manager.username + "x")
    assert status == 2
    assert f"did you mean {manager.username}?" in err


def test_what_cannot_be_found_is_said(folder: Path, tmp_path: Path) -> None:
    assert "is not a folder" in run("import", tmp_path / "none")[2]
    (tmp_path / "empty").mkdir()
    assert "no CSV files" in run("import", tmp_path / "empty")[2]
    assert run("import", tmp_path / "empty")[0] == 2
    take(pier())
    status, _, err = run("export", tmp_path / "out", "--site", "peer")
    assert status == 2
    assert "did you mean pier?" in err
    run("export", folder, "--overwrite")
    status, _, err = run("export", folder)
    assert status == 2
    assert "--overwrite" in err


def test_two_folders_are_one_import_but_a_file_is_of_one_of_them(folder: Path, tmp_path: Path) -> None:
    other = tmp_path / "other"
    other.mkdir()
    (folder / "device_models.csv").rename(other / "device_models.csv")
    (folder / "cable_types.csv").rename(other / "cable_types.csv")
    assert run("import", other, folder)[0] == 0
    (folder / "cable_types.csv").write_bytes((other / "cable_types.csv").read_bytes())
    status, _, err = run("import", other, folder)
    assert status == 2
    assert "cable_types.csv: is in two of the folders" in err


def test_the_format_is_printed() -> None:
    assert run("format")[1] == render()


def test_a_customer_out_of_scope_does_not_exist_and_is_not_taken_over() -> None:
    take(pier())
    with pytest.raises(ChangeRefused) as refused:
        take({"zones": [{"site": "pier", "name": "Deck"}]}, scope=Scope(frozenset()))
    assert [problem.code for problem in refused.value.problems] == ["no_such_site"]
    folder = pier()
    folder["customers"][0] |= {"code": "mine", "name": "Mine"}
    for name in ("contracts", "sites", "coverages"):
        folder[name][0]["customer"] = "mine"
    with pytest.raises(ChangeRefused) as refused:
        take(folder, scope=Scope(frozenset()))
    (problem,) = refused.value.problems
    assert (place_of(problem)[0], problem.code) == ("sites.csv", "site_code_key")
    assert Site.objects.get().customer.code == "ebb"


def test_a_day_that_is_none_says_what_is_expected(folder: Path) -> None:
    assert "“14.3.2025”: expected a day such as" in run("import", folder, "--day", "14.3.2025")[2]
