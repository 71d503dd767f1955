"""What corrections rewrote goes out and comes in, so that a copy of a site names the same causes.

A supply of 2 A (limit 0.8 × 2 = 1.60 A) feeds 27 wall speakers of 0.05 A, all measured: 1.35 A.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
from pathlib import Path
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from api.v1.operation_lists import OperationList
from sites.changes.errors import ChangeRefused
from sites.models import ChangeSet, Site, Withdrawal
from sites.models.changes import MOST_OPERATIONS
from tests.factories import change
from tests.zones.findings.conftest import ADDED, BUILT, NOW, Quay
from zones.asbuilt.problems import place_of, sentence_of
from zones.asbuilt.resolving import Importer, corrections
from zones.asbuilt.services import Imported, import_files
from zones.findings.annotate import Annotated
from zones.models import Case, Finding, Landing, Point, PointFacts, ZoneFacts
from zones.recheck.batch import check
from zones.services.zones import zone_alter, zone_correct

from .folders import pier, record_of, take, versions_of
from .test_round_trip import assert_round_trip, exported, taken_as_another

pytestmark = pytest.mark.django_db

DAY = dt.timedelta(days=1)
LATER = ADDED + 10 * DAY
CORRECTION = ChangeSet.Kind.CORRECTION


@pytest.fixture
def corrected() -> Quay:
    """Five speakers and a group of one are added: 1.35 + 6 × 0.04 = 1.59 A. Then a length is measured; the
    group turns out to be two, which is recorded for an earlier day: 1.63 A, past; the length is measured
    again."""
    quay = Quay()
    _, points = quay.add(6)
    group = PointFacts.Kind.UNCOUNTED_GROUP
    with quay.record.change(ADDED, job_reference="LS-2208"):
        last = quay.run.points.order_by("rank").last()
        assert last is not None
        counted = dict.fromkeys(("count_low", "count_likely", "count_high"), 1)
        facts = quay.facts | {"speech_current_a": 0.001, "current_basis": 4, "kind": group} | counted
        rest = quay.record.point(quay.run, "rest", last.rank + 1, parent=last, **facts)
    quay.correct(points[:1], LATER, length_m=2.5)
    quay.correct([rest], LATER - DAY, count_low=41, count_likely=41, count_high=41)
    quay.correct(points[:1], LATER + DAY, length_m=3.0)
    return quay


def told(site_id: int) -> list[Any]:
    """A site's findings: limit, figure, sentence, the changes named, the case."""
    check([site_id], now=NOW)
    steps: dict[Any, Any] = dict(ChangeSet.objects.filter(site_id=site_id).values_list("id", "step"))
    findings = list(Finding.objects.filter(site_id=site_id).order_by("code", "id"))
    words = Annotated(findings, {site_id: 1 << 60}).words
    said: list[Any] = []
    for finding in findings:
        attribution = finding.attribution or {}
        change = attribution.get("change") or {}
        named = [steps.get(change.get(name)) for name in ("change_set", "correction", "note")]
        sentence = (words[finding.pk].attribution or {}).get("sentence")
        said.append([finding.code, finding.likely, attribution.get("kind"), sentence, named])
    keys = Case.objects.filter(site_id=site_id).values_list("key", flat=True)
    numbers = [key.split("/", 1)[1].removeprefix("change-set-") for key in keys]
    said += sorted(str(steps[int(number)]) if number.isdigit() else number for number in numbers)
    return said


def test_a_signal_and_its_correction_come_in_as_they_went_out(tmp_path: Path) -> None:
    """27 speakers at speech are 1.35 A, at tones 2.70 A: a bell panel of unknown signal was added, and it
    turns out that it chimes."""
    quay = Quay()
    site, zone, signals = quay.record.site, quay.zone, ZoneFacts.Signal
    for day, signal in ((BUILT, signals.SPEECH), (ADDED, signals.UNKNOWN)):
        zone_alter(change(site, happened_on=day), zone=zone, signal=signal)
    asked = change(site, happened_on=LATER, reason="asked")
    zone_correct(asked, zone=zone, signal=signals.TONES, held_on=ADDED)
    files = exported(site, tmp_path)
    rows = list(csv.DictReader(io.StringIO(files["zones.csv"].decode())))
    assert [(row["name"], row["signal"], bool(row["revised_by"])) for row in rows] == [
        ("Ticket hall", "unknown", False),
        ("Ticket hall", "speech", False),
        ("Ticket hall", "tones", True),
    ]
    (said,) = csv.DictReader(io.StringIO(files["corrections.csv"].decode()))
    assert [said[name] for name in ("file", "thing", "column", "before", "after")] == [
        "zones", "name=Ticket hall", "signal", "unknown", "tones",
    ]  # fmt: skip
    another, done = taken_as_another(files, site)
    assert not done.problems
    assert record_of(another) == record_of(site)
    assert versions_of(another) == versions_of(site)
    assert told(another.pk) == told(site.pk)
    (supply,) = [row for row in told(site.pk) if isinstance(row, list) and row[0] == "supply_current"]
    assert supply[1:3] == [pytest.approx(2.70), "correction"]
    assert "Signal of zone Ticket hall changed from speech to tones" in supply[3]


def test_a_copy_of_a_site_names_the_same_causes(corrected: Quay, tmp_path: Path) -> None:
    site = corrected.record.site
    files = exported(site, tmp_path)
    another, done = taken_as_another(files, site)
    assert not done.problems
    assert record_of(another) == record_of(site)
    assert len(versions_of(site)) == 3
    assert versions_of(another) == versions_of(site)
    here = told(site.pk)
    # 1.35 + 6 × 0.04 + 41 × 0.001 = 1.631 A; before the count 1.591 A
    supply = next(row for row in here if isinstance(row, list) and row[0] == "supply_current")
    assert supply[1] == pytest.approx(1.631)
    assert supply[2] == "correction"
    counted = ChangeSet.objects.get(site=site, happened_on=LATER - DAY)
    assert supply[4][1] == counted.step
    assert told(another.pk) == here


def test_a_correction_of_more_rows_than_a_draft_has_operations(tmp_path: Path) -> None:
    quay = Quay()
    _, points = quay.add(MOST_OPERATIONS + 1, current_a=0.0001)
    quay.correct(points, LATER, length_m=2.5)
    site = quay.record.site
    another, done = taken_as_another(exported(site, tmp_path), site)
    assert not done.problems
    assert versions_of(another) == versions_of(site)
    corrected = ChangeSet.objects.get(site=another, kind=CORRECTION)
    assert len(corrected.operations) == 1  # of one table
    assert OperationList().to_representation(corrected.operations) == []  # nobody's, but kept


def test_a_correction_of_more_rows_than_its_change_set_keeps_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Speakers whose lengths were measured come in with what they said before."""
    quay = Quay()
    _, points = quay.add(3, current_a=0.0001)
    quay.correct(points, LATER, length_m=2.5)
    site = quay.record.site
    files = exported(site, tmp_path)
    monkeypatch.setattr(corrections, "MOST_REWRITTEN", 2)
    with pytest.raises(ChangeRefused) as refused:
        taken_as_another(files, site)
    said = "changes.csv, row 5, column change: rewrites 3 rows; expected 2 at most: make it several changes"
    assert [sentence_of(problem) for problem in refused.value.problems] == [said]
    assert not Site.objects.filter(code="another").exists()


def test_a_correction_of_more_rows_of_the_record_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """An export would bring them as rows of a site that is new there."""
    take(pier())
    folder = pier()
    folder["changes"].append(
        folder["changes"][-1] | {"change": "fix", "kind": "correction", "reason": "measured"}
    )
    for row, metres in zip(folder["points"][:2], ("11.5", "8.5"), strict=True):
        row |= {"length_m": metres, "length_basis": "measured", "revised_by": "fix"}
    monkeypatch.setattr(corrections, "MOST_REWRITTEN", 1)
    with pytest.raises(ChangeRefused, match="rewrites 2 rows; expected 1 at most"):
        take(folder)
    monkeypatch.setattr(corrections, "MOST_REWRITTEN", 2)
    assert take(folder).written["points"] == 2


def test_without_the_file_another_cause_is_named(corrected: Quay, tmp_path: Path) -> None:
    files = exported(corrected.record.site, tmp_path)
    del files["corrections.csv"]
    another, _ = taken_as_another(files, corrected.record.site)
    assert told(another.pk) != told(corrected.site_id)


def test_the_file_says_what_which_before_and_after(corrected: Quay, tmp_path: Path) -> None:
    rows = list(
        csv.DictReader(io.StringIO(exported(corrected.record.site, tmp_path)["corrections.csv"].decode()))
    )
    said = [(row["change"], row["file"], row["column"], row["before"], row["after"]) for row in rows]
    days = [str(LATER), str(LATER - DAY), str(LATER + DAY)]
    assert said == [
        (days[0], "points", "length_m", "1", "2.5"),
        (days[1], "points", "count", "1", "41"),
        (days[2], "points", "length_m", "2.5", "3"),
    ]
    assert rows[1]["thing"] == "run=R1 | point=rest"
    assert rows[1]["held_since"].startswith(str(ADDED))


def test_a_second_import_changes_nothing_and_rewrites_nothing(corrected: Quay, tmp_path: Path) -> None:
    site = corrected.record.site
    files = exported(site, tmp_path)
    assert import_files(files, Importer("Mila Quay", NOW)).nothing_new
    files["corrections.csv"] = files["corrections.csv"].replace(b",1,41", b",7,41")
    with pytest.raises(ChangeRefused, match="does not say that this correction rewrote it so"):
        import_files(files, Importer("Mila Quay", NOW))


def test_what_was_withdrawn_is_left_out(corrected: Quay, tmp_path: Path) -> None:
    site = corrected.record.site
    before = exported(site, tmp_path / "before")
    rest = Point.objects.get(run=corrected.run, name="rest")
    mistake = corrected.correct([rest], LATER + 2 * DAY, length_m=9.0)
    assert exported(site, tmp_path / "between")["corrections.csv"] != before["corrections.csv"]
    Withdrawal.objects.create(change_set=mistake, actor="Ida Lark", reason="typed twice")
    assert exported(site, tmp_path / "after") == before


def test_a_device_found_and_then_measured(tmp_path: Path) -> None:
    """The row that a correction added is rewritten by another: the first stays who added it."""
    quay = Quay()
    with quay.record.change(ADDED, kind=CORRECTION, reason="counted"):
        facts = quay.facts | {"speech_current_a": 0.04}
        found = quay.record.point(quay.run, "found", 99.0, parent=quay.points[-1], **facts)
    quay.correct([found, quay.points[0]], LATER, length_m=2.5)
    assert_round_trip(quay.record.site, tmp_path)
    text = (tmp_path / "first" / "corrections.csv").read_text()
    assert f",{ADDED},points,run=R1 | point=found,{ADDED},,,\n" in text


def test_what_is_not_dated_and_what_others_wrote_to_it_since(tmp_path: Path) -> None:
    quay = Quay(design_temperature_c=30.0)
    with quay.record.change():
        common = {"block": quay.record.block, "row": 3, "side": "field", "run": quay.run, "pair": 1}
        laid = quay.record.make(Landing, **common, conductor="first", carries="dc_positive")
    with quay.record.change(LATER, kind=CORRECTION) as seen:
        Landing.objects.filter(pk=laid.pk).update(row=4, carries="dc_negative", change_set_id=seen.pk)
        Site.objects.filter(pk=quay.site_id).update(design_temperature_c=50.0, change_set_id=seen.pk)
    with quay.record.change(LATER + DAY) as work:
        Site.objects.filter(pk=quay.site_id).update(design_temperature_c=40.0, change_set_id=work.pk)
    assert_round_trip(quay.record.site, tmp_path)
    text = (tmp_path / "first" / "corrections.csv").read_text()
    assert ",design_temperature_c,30,50\n" in text
    assert ",row,3,4\n" in text


def test_what_has_ended_since_is_not_named_again(tmp_path: Path) -> None:
    """A run was recorded at the wrong supply, which then went: nothing outlasts what it names."""
    quay = Quay()
    with quay.record.change(ADDED):
        wrong = quay.record.supply(quay.supply_model, "S2")
        run = quay.record.run("R2", supply=wrong, zone=quay.zone)
    with quay.record.change(LATER, kind=CORRECTION) as seen:
        run.facts.update(supply=quay.supply, fuse_rating_a=1.0, fuse_fitted=True, change_set_id=seen.pk)
    with quay.record.change(LATER + DAY) as gone:
        quay.record.end(wrong, gone)
    site = quay.record.site
    another, done = taken_as_another(exported(site, tmp_path), site)
    assert not done.problems
    assert record_of(another) == record_of(site)


def test_writing_corrections_takes_statements_by_change_and_table_not_by_row(tmp_path: Path) -> None:
    counts = []
    for size in (2, 20):
        quay = Quay()
        _, points = quay.add(20)
        quay.correct(points[:size], LATER, length_m=2.5)
        files = exported(quay.record.site, tmp_path / str(size))
        with CaptureQueriesContext(connection) as queries:
            renamed = {
                name: text.replace(quay.record.site.code.encode(), b"q-%d" % size)
                for name, text in files.items()
            }
            import_files(renamed, Importer("Mila Quay", NOW))
        counts.append(len(queries))
        kept = ChangeSet.objects.get(site__code=f"q-{size}", kind=CORRECTION).operations
        assert [(one["table"], len(one["rows"])) for one in kept] == [("point_facts", size)]
    assert counts[0] == counts[1]


# --- by hand ------------------------------------------------------------------------------------------------


def by_hand(**cells: str) -> Imported:
    """A pier whose P1, 30 m as measured, was recorded as 25 m from the drawing until “recount”."""
    folder = pier()
    folder["points"][0]["revised_by"] = "recount"
    row = {
        "site": "pier", "change": "recount", "file": "points", "thing": "run=R1 | point=P1",
        "held_since": "built", "column": "length_m", "before": "25", "after": "30",
    }  # fmt: skip
    basis = row | {"column": "length_basis", "before": "drawing", "after": "measured"}
    folder["corrections"] = [row | cells, basis]
    return take(folder)


def test_by_hand() -> None:
    by_hand()
    (version,) = versions_of(Site.objects.get())
    assert "('length_basis', 2), ('length_m', 25" in "".join(version["point_facts"])
    assert PointFacts.objects.get(point__name="P1").length_m == 30


@pytest.mark.parametrize(
    ("cells", "column", "code", "says"),
    [
        ({"after": "31"}, "after", "differs", "is 31, but what then stands is 30"),
        ({"before": "far"}, "before", "bad_value", "“far” is not a number"),
        ({"before": "-3"}, "before", "bad_value", "“-3”: expected"),
        ({"before": "30"}, "after", "contradiction", "is as before"),
        ({"column": "lenght_m"}, "column", "no_such_column", "length_m"),
        ({"column": "order"}, "column", "no_such_column", "not a column of points.csv that corrections"),
        ({"thing": "run=R1 | point=P9"}, "thing", "no_such_thing", ""),
        ({"thing": "run=R1 | place=mast"}, "thing", "no_such_column", "does not identify a row"),
        ({"held_since": "more"}, "held_since", "no_such_row", "no row of R1 P1 that holds from this change"),
        ({"held_since": ""}, "held_since", "blank", "only rows of sites and of the catalogue"),
        ({"change": "more"}, "change", "not_a_correction", "only a change of kind correction"),
        ({"change": "nobody"}, "change", "no_such_change", "nobody"),
        ({"column": ""}, "before", "contradiction", "column is blank"),
        (
            {"column": "length_basis", "before": "guessed", "after": "measured"},
            *("column", "key_twice", "row 2"),
        ),
        ({"column": "parent", "before": "P9", "after": ""}, "before", "no_such_thing", "P9"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_named_by_row_and_column(
    cells: dict[str, str], column: str, code: str, says: str
) -> None:
    with pytest.raises(ChangeRefused) as refused:
        by_hand(**cells)
    found = [(*place_of(problem), problem.code) for problem in refused.value.problems]
    assert any(place[0] == "corrections.csv" and place[2:] == (column, code) for place in found), found
    assert any(says in problem.detail for problem in refused.value.problems)
    assert not Site.objects.exists()


def test_the_last_correction_is_the_one_that_its_row_names() -> None:
    folder = pier()
    folder["corrections"] = [
        {"site": "pier", "change": "recount", "file": "points", "thing": "run=R1 | point=P1"}
        | {"held_since": "built", "column": "length_m", "before": "25", "after": "30"}
    ]
    with pytest.raises(ChangeRefused, match="which its revised_by does not say"):
        take(folder)


def test_a_recorded_row_is_corrected_from_what_the_record_says() -> None:
    take(pier())
    folder = pier()
    fix = folder["changes"][3] | {"change": "fix", "day": "2025-02-01", "reason": "measured"}
    folder["changes"].append(fix)
    folder["points"][0] |= {"length_m": "33", "revised_by": "fix"}
    row = {"site": "pier", "change": "fix", "file": "points", "thing": "run=R1 | point=P1"}
    row |= {"held_since": "built", "column": "length_m", "after": "33"}
    folder["corrections"] = [row | {"before": "29"}]
    with pytest.raises(ChangeRefused, match="is 29, but the record says 30"):
        take(folder)
    folder["corrections"] = [row | {"before": "30"}]
    take(folder)
    assert take(folder).nothing_new
