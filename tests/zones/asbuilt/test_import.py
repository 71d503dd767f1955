"""What an import writes: everything once, in change sets of their days, quietly the first time."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from sites.changes.errors import ChangeRefused
from sites.changes.steps import last_step_of, step_of
from sites.models import (
    Basis,
    CableType,
    Closet,
    Coverage,
    Customer,
    DeviceModel,
    EndpointFacts,
    Output,
    Site,
    Supply,
    SupplyFacts,
    SwitchPortFacts,
)
from sites.models.changes import Change, ChangeSet, Mark
from zones.asbuilt.resolving import Importer
from zones.asbuilt.services import import_files
from zones.models import ClipFacts, Landing, PagingSet, Point, PointFacts, RunFacts, Test

from .folders import NOW, as_files, change_row, pier, point, record_of, take

pytestmark = pytest.mark.django_db
MORE = step_of(dt.date(2023, 3, 14), 1)
SWAP = step_of(dt.date(2023, 3, 14), 2)
BUILT = step_of(dt.date(2019, 5, 2), 1)


def everything() -> dict[str, Any]:
    """How many rows there are of what an import writes, and what it leaves in the change record."""
    models = (
        ChangeSet,
        Change,
        Mark,
        Site,
        Customer,
        DeviceModel,
        CableType,
        Closet,
        Point,
        PointFacts,
        Landing,
    )
    return {model.__name__: model._default_manager.count() for model in models}


def test_a_folder_becomes_the_record() -> None:
    done = take(pier())
    assert done.written["points"] == 4
    assert done.written["landings"] == 10
    site = Site.objects.get(code="pier")
    assert site.name == "Ébb Pier"
    first = PointFacts.objects.get(point__name="P1")
    assert (first.length_m, first.length_basis, first.step) == (30.0, Basis.MEASURED, BUILT)
    assert first.model is not None
    assert first.device_kind == PointFacts.DeviceKind.CEILING_SPEAKER
    added = PointFacts.objects.get(point__name="P3")
    assert (added.step, added.length_basis) == (MORE, Basis.GUESSED)
    assert added.parent is not None
    assert added.parent.name == "P2"
    uncounted_group = PointFacts.objects.get(point__name="rest")
    assert (uncounted_group.count_low, uncounted_group.count_likely, uncounted_group.count_high) == (4, 6, 9)
    supply = Supply.objects.get()
    assert list(SupplyFacts.objects.order_by("step").values_list("step", "model__rated_current_a")) == [
        (BUILT, 1.0),
        (SWAP, 2.0),
    ]
    assert supply.outlet == "left"
    assert RunFacts.objects.get().supply == supply
    assert Output.objects.count() == 2
    assert set(SwitchPortFacts.objects.values_list("port__number", "priority")) == {
        (n, "high") for n in (1, 2, 3, 4)
    }
    endpoint = EndpointFacts.objects.get()
    assert (endpoint.power_source, str(endpoint.address), endpoint.vlan) == ("port", "10.1.2.3", 7)
    assert set(PagingSet.objects.get().members.values_list("zone__name", flat=True)) == {"Hall", "Gangway"}
    assert set(ClipFacts.objects.values_list("row", "is_in", "step")) == {(3, False, MORE), (4, False, MORE)}
    assert Coverage.objects.get().days.lower == dt.date(2019, 1, 1)


def test_each_row_of_changes_is_one_change_set_in_order() -> None:
    take(pier())
    found = ChangeSet.objects.filter(site__code="pier").order_by("step")
    assert [(row.step, row.kind, row.actor, row.job_reference, row.channel) for row in found] == [
        (BUILT, "takeover", "Ida Vole", "J1", "import"),
        (MORE, "work", "Tor Lie", "J2", "import"),
        (SWAP, "work", "Tor Lie", "J2", "import"),
        (step_of(dt.date(2024, 1, 5), 1), "correction", "Ida Vole", "", "import"),
    ]


def test_who_did_the_work_tells_one_change_from_another() -> None:
    folder = pier()
    folder["changes"][1]["done_by"] = "Hallam Crew"
    take(folder)
    crews = ChangeSet.objects.filter(site__code="pier").order_by("step").values_list("actor", "done_by")
    assert list(crews)[:3] == [("Ida Vole", ""), ("Tor Lie", "Hallam Crew"), ("Tor Lie", "")]
    assert take(folder).nothing_new
    folder["changes"].append(folder["changes"][1] | {"change": "other", "done_by": "Tern Electric"})
    assert [one.done_by for one in take(folder).change_sets] == ["Tern Electric"]


def test_what_ended_was_ended_by_its_change() -> None:
    take(pier())
    ended = Landing.objects.filter(end_step=SWAP)
    assert ended.count() == 2
    assert {row.change_set.job_reference for row in ended} == {"J2"}
    assert {row.change_set.step for row in ended} == {SWAP}
    changed = Change.objects.filter(table_name="landing", change_set__step=SWAP)
    assert sorted(changed.values_list("operation", flat=True)) == ["insert", "update"]


def test_a_correction_writes_the_rows_that_it_revised() -> None:
    take(pier())
    facts = PointFacts.objects.get(point__name="rest")
    assert facts.step == BUILT
    assert facts.change_set.kind == ChangeSet.Kind.CORRECTION
    assert facts.change_set.reason == "counted"


def test_a_reading_is_of_the_record_after_its_days_last_change_unless_it_says_otherwise() -> None:
    take(pier())
    steps = dict(Test.objects.values_list("value", "step"))
    assert steps == {0.21: last_step_of(dt.date(2023, 3, 14)), 0.12: steps[0.21], 21.5: MORE}
    assert Test.objects.get(value=0.12).supersedes == Test.objects.get(value=0.21)
    # written by the last change of that day, not by the first of the site
    assert {reading.change_set.step for reading in Test.objects.all()} == {SWAP}


def test_the_readings_of_a_release_before_are_tests() -> None:
    folder = pier()
    rows = folder.pop("tests")
    folder["readings"] = [
        {{"test": "reading"}.get(column, column): cell for column, cell in row.items()} for row in rows
    ]
    for row in folder["readings"]:
        row["instrument"] = "clamp 3"
    take(folder)
    assert sorted(Test.objects.values_list("kind", "value", "instrument")) == [
        ("end_voltage", 21.5, "clamp 3"),
        ("run_current", 0.12, "clamp 3"),
        ("run_current", 0.21, "clamp 3"),
    ]
    assert Test.objects.get(value=0.12).supersedes == Test.objects.get(value=0.21)
    with pytest.raises(ChangeRefused, match="and that file is there too"):
        take({**folder, "tests": rows})


def test_importing_twice_writes_nothing_the_second_time() -> None:
    take(pier())
    before, record = everything(), record_of(Site.objects.get())
    again = take(pier())
    assert again.nothing_new
    assert not again.change_sets
    assert everything() == before
    assert record_of(Site.objects.get()) == record


def test_a_dry_run_says_what_would_be_written_and_writes_nothing() -> None:
    before = everything()
    would = take(pier(), dry_run=True)
    assert everything() == before
    assert would.written == take(pier()).written


def test_the_first_import_of_a_site_is_quiet_and_later_ones_are_not() -> None:
    take(pier())
    assert set(ChangeSet.objects.filter(site__isnull=False).values_list("quiet", flat=True)) == {True}
    assert set(Mark.objects.filter(site__code="pier").values_list("lane", flat=True)) == {Mark.Lane.BULK}
    folder = pier()
    folder["changes"].append(change_row("x", "2025-01-02", "one more", job="J9"))
    folder["points"].append(point("P4", parent="P3", change="x", length_m="4"))
    done = take(folder)
    assert done.written == {"changes": 1, "points": 1}
    assert [(row.quiet, row.kind) for row in done.change_sets] == [(False, "work")]


def test_a_site_that_was_only_put_down_is_still_imported_quietly() -> None:
    folder = pier()
    bare = {name: folder[name] for name in ("customers", "sites", "changes")}
    take(bare)
    done = take(folder)
    assert done.written["points"] == 4
    assert {change_set.quiet for change_set in done.change_sets} == {True}


def test_a_site_is_unchanged_by_an_import_of_another() -> None:
    take(pier())
    record = record_of(Site.objects.get(code="pier"))
    take(pier("quay"))
    assert record_of(Site.objects.get(code="pier")) == record
    assert record_of(Site.objects.get(code="quay")) == record


def test_metres_and_feet_of_one_file() -> None:
    folder = pier()
    folder["points"][1]["length_m"] = ""
    folder["points"][1]["length_ft"] = "26.5"
    folder["closets"] = [{"site": "pier", "name": "C1", "ladder_ft": "10"}]
    take(folder)
    assert PointFacts.objects.get(point__name="P2").length_m == 8.0772
    assert Closet.objects.get().ladder_m == 3.048


def test_semicolons_and_decimal_commas() -> None:
    folder = pier()
    folder["points"][1]["length_m"] = "8,25"
    import_files(as_files(folder, separator=";", encoding="utf-8-sig"), Importer(actor="Mila Quay", now=NOW))
    assert PointFacts.objects.get(point__name="P2").length_m == 8.25


def test_a_folder_may_speak_of_what_only_the_record_has() -> None:
    take(pier())
    done = take(
        {
            "changes": [change_row("b", "2025-01-02", "swap")],
            "supplies": [{"site": "pier", "name": "PS1", "change": "b", "model": "supply 1 A"}],
            "points": [point("P5", parent="P1", change="b", length_m="3")],
        }
    )
    assert done.written == {"changes": 1, "supplies": 1, "points": 1}
    inserted = Point.objects.get(name="P5")
    assert inserted.rank > Point.objects.get(name="P1").rank


def test_a_point_put_in_between_lies_between() -> None:
    take(pier())
    take(
        {
            "changes": [change_row("b", "2025-01-02", "cut in")],
            "points": [
                point("P2", parent="P1a", change="b", length_m="4"),
                point("P1a", parent="P1", change="b", length_m="4"),
            ],
        }
    )
    ranks = dict(Point.objects.values_list("name", "rank"))
    assert ranks["P1"] < ranks["P1a"] < ranks["P2"]


def test_a_site_without_a_row_in_changes_takes_the_importers_word() -> None:
    folder = pier()
    for name, rows in folder.items():
        folder[name] = [
            {key: value for key, value in row.items() if key not in ("change", "ends", "revised_by", "after")}
            for row in rows
        ]
    del folder["changes"], folder["clips"]
    folder["supplies"].pop()
    folder["landings"].pop()
    with pytest.raises(ChangeRefused) as refused:
        take(folder)
    assert {problem.code for problem in refused.value.problems} == {"no_change"}
    importer = Importer("Mila Quay", NOW, dt.date(2026, 5, 30), "Rune Vale", "surveyed", "Hallam Crew")
    import_files(as_files(folder), importer)
    (change_set,) = ChangeSet.objects.filter(site__code="pier")
    assert (change_set.kind, change_set.actor, change_set.done_by, change_set.happened_on) == (
        "takeover",
        "Rune Vale",
        "Hallam Crew",
        dt.date(2026, 5, 30),
    )
    assert import_files(as_files(folder), importer).nothing_new


def test_a_name_can_be_used_again_after_its_thing_was_taken_out() -> None:
    folder = pier()
    folder["supplies"] = [
        {"site": "pier", "name": "PS1", "closet": "C1", "model": "supply 1 A", "ends": "swap"},
        {"site": "pier", "name": "PS1", "closet": "C1", "model": "supply 2 A", "change": "swap"},
    ]
    folder["runs"].append(folder["runs"][0] | {"change": "swap"})
    folder["landings"].append(folder["landings"][2] | {"change": "swap"})
    folder["landings"][2] |= {"change": "built", "ends": "swap"}
    take(folder)
    first, second = Supply.objects.order_by("begin_step")
    assert (first.begin_step, first.end_step, second.begin_step, second.end_step) == (BUILT, SWAP, SWAP, None)
    assert first.change_set.step == SWAP
    assert list(RunFacts.objects.order_by("step").values_list("supply_id", flat=True)) == [
        first.pk,
        second.pk,
    ]
    assert take(folder).nothing_new


def test_a_contract_that_lapses_is_given_its_end() -> None:
    take(pier())
    folder = pier()
    folder["coverages"][0]["covered_until"] = "2026-04-01"
    assert take(folder).written == {"coverages": 1}
    assert Coverage.objects.get().days.upper == dt.date(2026, 4, 1)
    assert take(folder).nothing_new
    assert take(pier()).nothing_new  # a blank says nothing


def test_the_record_is_corrected_by_a_change_that_says_so() -> None:
    take(pier())
    folder = pier()
    folder["changes"].append(change_row("fix", "2025-02-01", "reflectometer") | {"kind": "correction"})
    folder["points"][1] |= {"length_m": "11.5", "length_basis": "measured", "revised_by": "fix"}
    folder["closets"][0] |= {"room": "under the stair", "described_by": "fix"}
    folder["contacts"][0] |= {"phone": "902-555-0199", "change": "fix"}
    done = take(folder)
    assert done.written == {"changes": 1, "points": 1, "closets": 1, "contacts": 1}
    facts = PointFacts.objects.get(point__name="P2")
    assert (facts.step, facts.length_m, facts.change_set.reason) == (BUILT, 11.5, "reflectometer")
    assert Closet.objects.get().room == "under the stair"
    changed = Change.objects.get(table_name="point_facts", operation="update")
    assert [row["length_m"] for row in changed.old_rows or []] == [8]
    assert take(folder).nothing_new


def test_rows_left_out_of_a_change_are_completed_by_a_correction_of_today() -> None:
    without = pier()
    late = without["points"].pop()
    take(without)
    done = take(pier())
    assert done.written == {"changes": 1, "points": 1}
    (completion,) = done.change_sets
    assert (completion.kind, completion.actor, completion.happened_on) == (
        "correction",
        "Mila Quay",
        NOW.date(),
    )
    assert PointFacts.objects.get(point__name=late["point"]).step == MORE
    assert take(pier()).nothing_new


def test_two_readings_of_the_same_value_are_two_readings() -> None:
    folder = pier()
    folder["tests"] = [folder["tests"][2]] * 2
    take(folder)
    assert Test.objects.count() == 2
    assert take(folder).nothing_new
    folder["tests"] *= 2
    assert take(folder).written == {"changes": 1, "tests": 2}
