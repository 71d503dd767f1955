"""Errors are named with file, row and column, all in one pass, and nothing is written."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from sites.changes.errors import ChangeRefused, Problem
from sites.models import DeviceModel, Site
from sites.models.changes import ChangeSet
from zones.asbuilt.problems import place_of
from zones.asbuilt.resolving import Importer
from zones.asbuilt.services import import_files

from .folders import NOW, Folder, as_files, change_row, landing, pier, point, take, taken

pytestmark = pytest.mark.django_db


def refused(folder: Folder) -> tuple[Problem, ...]:
    with pytest.raises(ChangeRefused) as caught:
        take(folder)
    return caught.value.problems


def places(folder: Folder) -> list[tuple[str, int, str, str]]:
    return [(*place_of(problem), problem.code) for problem in refused(folder)]


def edited(change: Callable[[Folder], object]) -> Folder:
    folder = pier()
    change(folder)
    return folder


def test_everything_wrong_at_once_and_nothing_written() -> None:
    folder = pier()
    folder["customers"][0]["name"] = ""
    folder["device_models"][0]["kind"] = "ceiling_speker"
    folder["closets"][0]["ladder_m"] = "tall"
    folder["zones"][0]["life_safety"] = "perhaps"
    folder["points"][0]["length_m"] = "30 m"
    folder["points"][3]["zone"] = "Gangwy"
    assert places(folder) == [
        ("device_models.csv", 2, "kind", "bad_value"),
        ("customers.csv", 2, "name", "blank"),
        ("closets.csv", 2, "ladder_m", "bad_value"),
        ("zones.csv", 2, "life_safety", "bad_value"),
        ("points.csv", 2, "length_m", "bad_value"),
        ("points.csv", 5, "zone", "no_such_thing"),
    ]
    assert not Site.objects.exists()
    assert not DeviceModel.objects.exists()
    assert not ChangeSet.objects.exists()


@pytest.mark.parametrize(
    ("change", "expected", "words"),
    [
        pytest.param(
            lambda f: f["points"][1].update(parent="P11"),
            ("points.csv", 3, "parent", "no_such_thing"),
            "there is no “P11” among the points of R1, in points.csv or in the record; did you mean P1?",
            id="no such parent",
        ),
        pytest.param(
            lambda f: f["supplies"][1].update(model="supply 3 A"),
            ("supplies.csv", 3, "model", "no_such_thing"),
            "did you mean supply 2 A?",
            id="no such model",
        ),
        pytest.param(
            lambda f: f["supplies"][1].update(model="gateway"),
            ("supplies.csv", 3, "model", "wrong_kind"),
            "gateway is a gateway; expected a DC supply",
            id="a model of something else",
        ),
        pytest.param(
            lambda f: f["points"][3].update(change="mor"),
            ("points.csv", 5, "change", "no_such_change"),
            "did you mean more?",
            id="no such change",
        ),
        pytest.param(
            lambda f: f["zones"].append({"site": "peer", "name": "Deck"}),
            ("zones.csv", 4, "site", "no_such_site"),
            "did you mean pier?",
            id="no such site",
        ),
        pytest.param(
            lambda f: f["zones"].append({"site": "pier", "name": "Hall"}),
            ("zones.csv", 4, "change", "key_twice"),
            "row 2 gives its facts from the same change on",
            id="a zone twice",
        ),
        pytest.param(
            lambda f: f["points"].append(point("P1", length_m="9")),
            ("points.csv", 6, "change", "key_twice"),
            "row 2 gives its facts from the same change on",
            id="a point twice",
        ),
        pytest.param(
            lambda f: f["customers"].append({"code": "ebb", "name": "Other"}),
            ("customers.csv", 3, "code", "key_twice"),
            "row 2",
            id="a customer twice",
        ),
        pytest.param(
            lambda f: f["changes"].append(f["changes"][1] | {"day": "2024-09-09"}),
            ("changes.csv", 6, "change", "key_twice"),
            "“more” is in row 3 too",
            id="a key of a change twice",
        ),
        pytest.param(
            lambda f: f["runs"][0].update(supply="", endpoint="GW1", output="3"),
            ("runs.csv", 2, "output", "no_such_thing"),
            "there is no “3” among the outputs of GW1",
            id="no such output",
        ),
        pytest.param(
            lambda f: f["endpoints"][0].update(power_source="mains"),
            ("endpoints.csv", 2, "power_source", "invalid"),
            "A device on a port has power_source port.",
            id="a port, but mains",
        ),
        pytest.param(
            lambda f: f["runs"][0].update(fuse_fitted="no", fuse_rating_a="1"),
            ("runs.csv", 2, "fuse_rating_a", "invalid"),
            "A fuse with a rating is one that is fitted.",
            id="a rating of no fuse",
        ),
        pytest.param(
            lambda f: f["supplies"][1].update(outlet="right"),
            ("supplies.csv", 3, "outlet", "not_dated"),
            "stands in row 2 as “left”; leave it blank here",
            id="what is not dated changes",
        ),
        pytest.param(
            lambda f: f["supplies"][0].update(closet=""),
            ("supplies.csv", 2, "closet", "blank"),
            "a new thing needs it",
            id="a new thing without its closet",
        ),
        pytest.param(
            lambda f: f["points"][2].update(revised_by="swap"),
            ("points.csv", 4, "revised_by", "not_a_correction"),
            "only a change of kind correction rewrites facts",
            id="revised by work",
        ),
        pytest.param(
            lambda f: f["landings"][3].update(ends="built"),
            ("landings.csv", 5, "ends", "contradiction"),
            "before it begins",
            id="ends as it begins",
        ),
        pytest.param(
            lambda f: f["landings"].append(landing("26-27", "field", run="R1", pair="3", carries="spare")),
            ("landings.csv", 7, "row", "invalid"),
            "B1 has rows 1 to 25, not 26.",
            id="beyond the block",
        ),
        pytest.param(
            lambda f: f["blocks"][0].update(kind="screw"),
            ("clips.csv", 2, "block", "wrong_kind"),
            "B1 is a screw strip. Nothing on it can be pulled.",
            id="clips of a block without",
        ),
        pytest.param(
            lambda f: f["blocks"][0].update(kind="66_unsplit"),
            ("clips.csv", 2, "block", "wrong_kind"),
            "B1 is an unsplit 66-type block. Nothing on it can be pulled.",
            id="clips of a block that is not split",
        ),
        pytest.param(
            lambda f: f["coverages"].append(f["coverages"][0] | {"covered_from": "2020-01-01"}),
            ("coverages.csv", 3, "covered_from", "overlap"),
            "one at a time",
            id="two contracts at a time",
        ),
        pytest.param(
            lambda f: f["tests"].append(f["tests"][1] | {"value": "0.13"}),
            ("tests.csv", 5, "supersedes", "superseded_twice"),
            "supersede the newer test",
            id="superseded twice",
        ),
        pytest.param(
            lambda f: f["tests"][1].update(supersedes="frist"),
            ("tests.csv", 3, "supersedes", "no_such_test"),
            "no test “frist”",
            id="no such test",
        ),
        pytest.param(
            lambda f: f["tests"].append(
                taken("run_current", "0.2", run="R1", taken_on="2026-06-01", taken_at="09:10")
            ),
            ("tests.csv", 5, "taken_at", "invalid"),
            "Taken at 09:10, which is to come: it is 09:00 at the site.",
            id="a test at a time to come",
        ),
        pytest.param(
            lambda f: f.update(
                instruments=[{"name": "meter", "kind": "multimeter", "calibrated_on": "2199-01-01"}]
            ),
            ("instruments.csv", 2, "calibrated_on", "invalid"),
            "Calibrated on 2199-01-01, which is to come: give the day of its last calibration.",
            id="a calibration to come",
        ),
    ],
)
def test_what_is_wrong_and_where(
    change: Callable[[Folder], object], expected: tuple[str, int, str, str], words: str
) -> None:
    problems = refused(edited(change))
    assert [(*place_of(p), p.code) for p in problems] == [expected]
    assert words in problems[0].detail


def test_what_needs_a_refused_row_is_not_complained_of_as_well() -> None:
    assert places(edited(lambda f: f["closets"][0].update(ladder_m="tall"))) == [
        ("closets.csv", 2, "ladder_m", "bad_value")
    ]
    assert places(edited(lambda f: f["changes"][0].update(day="2 May 2019"))) == [
        ("changes.csv", 2, "day", "bad_value")
    ]
    assert places(edited(lambda f: f["sites"][0].update(time_zone="Halifax"))) == [
        ("sites.csv", 2, "time_zone", "bad_value")
    ]


def test_parents_in_a_ring_are_named_on_each_of_its_rows() -> None:
    folder = pier()
    folder["points"][0]["parent"] = "P3"
    folder["points"][3]["change"] = ""
    problems = refused(folder)
    assert [(*place_of(p)[1:], p.code) for p in problems] == [
        (2, "parent", "ring"),
        (3, "parent", "ring"),
        (5, "parent", "ring"),
    ]
    assert "the parents form a ring: P1 ← P2 ← P3 ← P1" in problems[0].detail


def test_a_ring_over_the_years_is_one_too() -> None:
    """P1 fed P2; since the swap P2 feeds P1: no order holds for both."""
    folder = pier()
    folder["points"].append(point("P2", change="swap", length_m="8"))
    folder["points"].append(point("P1", parent="P2", change="swap", length_m="30"))
    assert {(row, code) for _, row, _, code in places(folder)} == {(3, "ring"), (7, "ring")}


def test_an_order_that_puts_children_first_is_refused() -> None:
    folder = pier()
    folder["points"][0]["order"] = "5"
    folder["points"][1]["order"] = "2"
    assert places(folder) == [("points.csv", 3, "order", "before_its_parent")]
    folder["points"][1]["order"] = "5"
    assert ("points.csv", 3, "order", "order_twice") in places(folder)


def test_a_parent_that_comes_later_is_refused() -> None:
    folder = pier()
    folder["points"][1]["parent"] = "P3"
    folder["points"][3]["parent"] = "P1"
    (problem,) = refused(folder)
    assert (*place_of(problem)[1:], problem.code) == (3, "parent", "not_there_then")
    assert "begins only with the change of 2023-03-14, Tor Lie: quiet" in problem.detail


def test_a_reference_to_what_was_taken_out_is_refused() -> None:
    folder = pier()
    folder["supplies"] = [folder["supplies"][0] | {"ends": "more"}]
    folder["runs"].append(folder["runs"][0] | {"change": "swap"})
    problems = refused(folder)
    (problem,) = [one for one in problems if one.code == "not_there_then"]
    assert place_of(problem) == ("runs.csv", 3, "supply")
    assert "was taken out by the change of 2023-03-14, Tor Lie: quiet" in problem.detail
    # and what was there before outlasts it
    assert {place_of(one)[:2] for one in problems if one.code == "in_use"} == {
        ("runs.csv", 2),
        ("landings.csv", 4),
    }


def test_two_of_a_name_at_once_are_refused() -> None:
    folder = pier()
    folder["closets"].append({"site": "pier", "name": "C1", "change": "more", "room": "attic"})
    assert places(folder) == [("closets.csv", 3, "name", "key_twice")]


def test_what_differs_from_the_record_needs_a_correction() -> None:
    take(pier())
    folder = pier()
    folder["device_models"][0]["full_output_current_a"] = "0.06"
    folder["sites"][0]["name"] = "Ebb Pier"
    folder["closets"][0]["room"] = "attic"
    folder["points"][1]["length_m"] = "9"
    problems = refused(folder)
    assert [(*place_of(p)[::2], p.code) for p in problems] == [
        ("device_models.csv", "full_output_current_a", "differs"),
        ("sites.csv", "name", "differs"),
        ("closets.csv", "room", "differs"),
        ("points.csv", "length_m", "differs"),
    ]
    assert "is 0.06 here and 0.05 in the record" in problems[0].detail
    assert "name a new change of kind correction in revised_by" in problems[3].detail


def test_facts_before_ones_that_the_files_do_not_give_are_refused() -> None:
    take(pier())
    (problem,) = refused(
        {
            "changes": [change_row("b", "2021-01-02", "late")],
            "supplies": [{"site": "pier", "name": "PS1", "change": "b", "model": "supply 1 A"}],
        }
    )
    assert (*place_of(problem)[:2], problem.code) == ("supplies.csv", 2, "contradicts_later")
    assert "2023-03-14, Tor Lie: hum" in problem.detail


def test_a_point_before_it_is_there_is_refused() -> None:
    take(pier())
    (problem,) = refused(
        {
            "changes": [change_row("b", "2021-01-02", "late")],
            "points": [point("P3", parent="P2", change="b", length_m="5")],
        }
    )
    assert (*place_of(problem)[1:], problem.code) == (2, "change", "before_its_begin")


def test_an_unreadable_file_refuses_the_folder_and_says_the_rest_too() -> None:
    folder = pier()
    folder["points"][0]["pairs"] = "many"
    files = as_files(folder) | {"zones.csv": b"site,nam\npier,Hall\n"}
    with pytest.raises(ChangeRefused) as caught:
        import_files(files, Importer("Mila Quay", NOW))
    found = [place_of(p) for p in caught.value.problems]
    assert found == [("zones.csv", 1, "nam"), ("zones.csv", 1, "name"), ("points.csv", 2, "pairs")]
