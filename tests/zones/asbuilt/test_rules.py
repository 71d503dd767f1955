"""The import holds rows to the rules of the services, and says so by file, row and column."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from sites.changes.errors import ChangeRefused
from sites.models import Block, EndpointFacts, Site, Supply
from zones.asbuilt.problems import place_of
from zones.asbuilt.resolving import Importer
from zones.asbuilt.services import export_folder, import_files
from zones.models import ClipFacts, Run

from .folders import NOW, Folder, change_row, content_of, pier, point, record_of, take

pytestmark = pytest.mark.django_db
GW2 = {"site": "pier", "name": "GW2", "closet": "C1", "model": "gateway", "switch": "SW1", "port": "1"}


def two_on_a_port(folder: Folder) -> None:
    folder["endpoints"].append(GW2)


def a_supply_on_a_line(folder: Folder) -> None:
    folder["runs"][0]["kind"] = "constant_voltage"


def a_supply_on_a_line_at_a_point(folder: Folder) -> None:
    folder["runs"].append({"site": "pier", "name": "L1", "block": "B1", "kind": "constant_voltage"})
    folder["points"].append(point("1", run="L1", feed_supply="PS1"))


def a_horn_with_the_model_of_a_ceiling_speaker(folder: Folder) -> None:
    folder["points"][1]["device"] = "horn"


def a_supply_taken_out_while_it_feeds(folder: Folder) -> None:
    folder["supplies"] = [folder["supplies"][0] | {"ends": "more"}]


@pytest.mark.parametrize(
    ("spoil", "expected"),
    [
        (two_on_a_port, {("endpoints.csv", 2, "port", "taken"), ("endpoints.csv", 3, "port", "taken")}),
        (a_supply_on_a_line, {("runs.csv", 2, "supply", "wrong_kind")}),
        (a_supply_on_a_line_at_a_point, {("points.csv", 6, "feed_supply", "wrong_kind")}),
        (a_horn_with_the_model_of_a_ceiling_speaker, {("points.csv", 3, "device", "wrong_kind")}),
        (
            a_supply_taken_out_while_it_feeds,
            {("runs.csv", 2, "supply", "in_use"), ("landings.csv", 4, "supply", "in_use")},
        ),
    ],
)
def test_what_rest_refuses_the_import_refuses(
    spoil: Callable[[Folder], None], expected: set[tuple[str, int, str, str]]
) -> None:
    folder = pier()
    spoil(folder)
    with pytest.raises(ChangeRefused) as refused:
        take(folder)
    assert {(*place_of(p), p.code) for p in refused.value.problems} == expected
    assert not Site.objects.exists()


@pytest.mark.parametrize(
    ("day", "taken"),
    # at the pier NOW is nine in the morning of the first day
    [("2026-06-01", True), ("2026-06-02", False)],
)
def test_only_what_is_planned_is_of_a_day_to_come(day: str, taken: bool) -> None:
    folder = pier()
    folder["changes"][-1]["day"] = day
    if not taken:
        with pytest.raises(ChangeRefused) as refused:
            take(folder)
        assert {(*place_of(p), p.code) for p in refused.value.problems} == {
            ("changes.csv", 5, "day", "invalid")
        }
        folder["changes"][-1]["planned"] = "yes"
    take(folder)
    assert Site.objects.exists()


def test_a_port_is_taken_again_once_it_is_free() -> None:
    folder = pier()
    folder["endpoints"].append(folder["endpoints"][0] | {"change": "more", "closet": "", "port": "2"})
    folder["endpoints"].append(GW2 | {"change": "more"})
    take(folder)
    assert set(EndpointFacts.objects.values_list("endpoint__name", "port__number")) == {
        ("GW1", 1),
        ("GW1", 2),
        ("GW2", 1),
    }


def test_what_the_record_has_on_a_port_counts_too() -> None:
    take(pier())
    with pytest.raises(ChangeRefused) as refused:
        take({"changes": [], "endpoints": [GW2]} | {"changes": pier()["changes"]})
    (problem,) = refused.value.problems
    assert problem.detail == "Port SW1 1 is taken by GW1."


def test_what_is_recorded_of_a_run_must_fit_its_new_kind() -> None:
    take(pier())
    folder = {"changes": pier()["changes"], "runs": pier()["runs"]}
    fix = change_row("fix", "2025-01-01", "seen")
    folder["changes"].append(fix | {"kind": "correction"})
    folder["runs"][0] |= {"kind": "low_impedance", "described_by": "fix", "supply": "PS1"}
    with pytest.raises(ChangeRefused) as refused:
        take(folder)
    assert {place_of(p) for p in refused.value.problems} == {("runs.csv", 2, "supply")}


def test_who_uses_it_in_the_record_keeps_a_thing_from_ending() -> None:
    take(pier())
    changes = pier()["changes"]
    changes.append(change_row("off", "2025-01-01", "old"))
    with pytest.raises(ChangeRefused) as refused:
        take({"changes": changes, "supplies": [pier()["supplies"][0] | {"ends": "off"}]})
    assert {(*place_of(p), p.code) for p in refused.value.problems} == {("supplies.csv", 2, "ends", "in_use")}


def test_a_lifted_cross_connect_comes_back_as_it_was(tmp_path: Path) -> None:
    folder = pier()
    folder["blocks"][0]["kind"] = "110"
    take(folder)
    assert ClipFacts.objects.filter(block__kind=Block.Kind.TYPE_110, is_in=False).count() == 2
    before = record_of(Site.objects.get())
    export_folder(tmp_path)
    files = content_of(tmp_path)
    assert import_files(files, Importer("Mila Quay", NOW)).nothing_new
    other = {name: content.replace(b"pier,", b"quay,") for name, content in files.items()}
    import_files(other, Importer("Mila Quay", NOW))
    assert record_of(Site.objects.get(code="quay")) == before


def test_a_supply_in_mid_run_may_end_with_its_run() -> None:
    folder = pier()
    supply = {"name": "PS2", "closet": "C1", "model": "supply 1 A", "ends": "more"}
    folder["supplies"].append({"site": "pier"} | supply)
    folder["runs"].append(folder["runs"][0] | {"name": "R2", "ends": "more"})
    folder["points"].append(point("P1", run="R2", feed_supply="PS2"))
    take(folder)
    ended = Supply.objects.get(name="PS2").end_step
    assert ended is not None
    assert Run.objects.get(name="R2").end_step == ended


def test_a_block_with_pulled_clips_does_not_become_one_without() -> None:
    take(pier())
    folder = {"changes": pier()["changes"], "blocks": pier()["blocks"]}
    fix = change_row("fix", "2025-01-01", "seen")
    folder["changes"].append(fix | {"kind": "correction"})
    folder["blocks"][0] |= {"kind": "screw", "described_by": "fix"}
    with pytest.raises(ChangeRefused) as refused:
        take(folder)
    assert {(*place_of(p), p.code) for p in refused.value.problems} == {
        ("blocks.csv", 2, "kind", "wrong_kind")
    }


def test_one_import_ends_a_recorded_run_and_adds_what_it_was_fed_by_before() -> None:
    folder = pier()
    supply = {"name": "PS2", "closet": "C1", "model": "supply 1 A", "ends": "swap"}
    folder["supplies"].append({"site": "pier"} | supply)
    unfed = folder["runs"][0] | {"name": "R2", "supply": ""}
    folder["runs"].append(unfed)
    folder["changes"].append(folder["changes"][0] | {"change": "fed", "day": "2021-04-06"})
    take(folder)
    fed = unfed | {"change": "fed", "supply": "PS2"}
    take({"changes": folder["changes"], "runs": [unfed | {"ends": "more"}, fed | {"block": "", "kind": ""}]})
    run = Run.objects.get(name="R2")
    supply_end = Supply.objects.get(name="PS2").end_step
    assert run.end_step is not None
    assert supply_end is not None
    assert run.end_step < supply_end
    assert list(run.facts.filter(supply__isnull=False).values_list("supply__name", flat=True)) == ["PS2"]
