"""When a thing ended, which zones a set has, and what was never recorded: corrections of these go out and
come in as they came about."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from sites.changes.errors import ChangeRefused
from sites.models import ChangeSet, Supply, SupplyFacts
from tests.zones.findings.conftest import ADDED, Quay
from tests.zones.findings.test_corrections_of_sets import paging_set
from zones.asbuilt.resolving import Importer
from zones.asbuilt.services import import_files
from zones.models import Landing, PagingSetZone, Zone

from .folders import NOW, pier, take
from .test_corrections import CORRECTION, DAY, LATER, told
from .test_round_trip import assert_round_trip, exported, taken_as_another

pytestmark = pytest.mark.django_db

LAID = {"side": "field", "pair": 1, "conductor": "first", "carries": "dc_positive"}


@dataclass
class Berth:
    """27 speakers of the ticket hall at 0.05 A and the 6 of the lanes, added last, on one supply of 2 A: 33 ×
    0.05 = 1.65 A of 1.60 A where both page. The set is of the hall alone: 27 × 0.05 + 6 × 0.02 = 1.47 A."""

    quay: Quay
    lanes: Zone
    things: dict[str, Any]
    before: ChangeSet

    def corrected(self) -> Any:
        return self.quay.record.change(LATER, kind=CORRECTION, reason="asked")


@pytest.fixture
def berth() -> Berth:
    quay = Quay()
    record = quay.record
    with record.change(ADDED - 2 * DAY):
        lanes = record.zone("Marshalling lanes")
        things = {
            "landing": record.make(Landing, block=record.block, row=3, run=quay.run, **LAID),
            "supply": record.supply(quay.supply_model, "S2"),
            "zone": record.zone("Gangway"),
            "set": paging_set(quay, "hall", quay.zone),
        }
    with record.change(ADDED - DAY) as before:
        record.supply(name="S 9")
    with record.change(ADDED):
        record.chain(record.run("R2", supply=quay.supply, zone=lanes), 6, **quay.facts)
    return Berth(quay, lanes, things, before)


def corrections(berth: Berth, folder: Path) -> list[list[str]]:
    text = exported(berth.quay.record.site, folder)["corrections.csv"].decode()
    named = ("file", "thing", "column", "before", "after")
    return [[row[name] for name in named] for row in csv.DictReader(io.StringIO(text))]


@pytest.mark.parametrize("what", ["landing", "supply", "zone", "set"])
def test_an_end_that_a_correction_recorded(berth: Berth, what: str, tmp_path: Path) -> None:
    thing = berth.things[what]
    with berth.corrected() as seen:
        ended = {"end_step": berth.before.step, "change_set_id": seen.pk}
        type(thing)._default_manager.filter(pk=thing.pk).update(**ended)
    assert_round_trip(berth.quay.record.site, tmp_path)
    (said,) = corrections(berth, tmp_path / "said")
    assert said[2:] == ["ends", "", str(ADDED - DAY)]


def test_a_later_end_than_was_recorded_at_first(berth: Berth, tmp_path: Path) -> None:
    landing = berth.things["landing"]
    with berth.quay.record.change(LATER - DAY) as gone:
        berth.quay.record.end(landing, gone)
    with berth.corrected() as seen:
        Landing.objects.filter(pk=landing.pk).update(end_step=berth.before.step, change_set_id=seen.pk)
    assert_round_trip(berth.quay.record.site, tmp_path)
    (said,) = corrections(berth, tmp_path / "said")
    assert said[2:] == ["ends", str(LATER - DAY), str(ADDED - DAY)]


def test_an_end_in_another_key_is_the_same_end(berth: Berth, tmp_path: Path) -> None:
    """Keys are the files' own: what is recorded is known by what it names."""
    with berth.corrected() as seen:
        Landing.objects.update(end_step=berth.before.step, change_set_id=seen.pk)
    files = exported(berth.quay.record.site, tmp_path)
    renamed = {name: text.replace(f"{ADDED - DAY}".encode(), b"before") for name, text in files.items()}
    renamed["changes.csv"] = renamed["changes.csv"].replace(
        b",before,before,", f",before,{ADDED - DAY},".encode()
    )
    assert import_files(renamed, Importer("Mila Quay", NOW)).nothing_new


def test_a_zone_that_a_correction_put_into_a_set(berth: Berth, tmp_path: Path) -> None:
    site = berth.quay.record.site
    with berth.corrected():
        berth.quay.record.make(PagingSetZone, paging_set=berth.things["set"], zone=berth.lanes)
    with berth.quay.record.change(LATER + DAY, kind=CORRECTION, reason="asked again"):
        berth.quay.record.make(PagingSetZone, paging_set=berth.things["set"], zone=berth.things["zone"])
    assert corrections(berth, tmp_path / "said") == [
        ["paging_sets", "name=hall", "zones", "Ticket hall", "Marshalling lanes | Ticket hall"],
        [
            *("paging_sets", "name=hall", "zones", "Marshalling lanes | Ticket hall"),
            "Gangway | Marshalling lanes | Ticket hall",
        ],
    ]
    assert_round_trip(site, tmp_path)
    another = type(site).objects.get(code="another")
    (supply,) = [row for row in told(site.pk) if row[0] == "supply_current"]
    assert supply[1:3] == [pytest.approx(1.65), "correction"]
    assert told(another.pk) == told(site.pk)


def test_an_end_of_a_set_names_the_same_cause(berth: Berth, tmp_path: Path) -> None:
    site = berth.quay.record.site
    with berth.corrected() as seen:
        type(berth.things["set"]).objects.update(end_step=berth.before.step, change_set_id=seen.pk)
    another, _ = taken_as_another(exported(site, tmp_path), site)
    (supply,) = [row for row in told(site.pk) if row[0] == "supply_current"]
    assert supply[1:3] == [pytest.approx(1.65), "correction"]
    assert told(another.pk) == told(site.pk)


@pytest.mark.parametrize("what", ["landing", "set", "supply"])
def test_what_a_correction_found_to_be_there_since_long(berth: Berth, what: str, tmp_path: Path) -> None:
    record, step = berth.quay.record, berth.before.step
    with berth.corrected():
        if what == "landing":
            record.make(Landing, block=record.block, row=9, run=berth.quay.run, begin_step=step, **LAID)
        elif what == "set":
            found = paging_set(berth.quay, "gangway")
            type(found).objects.filter(pk=found.pk).update(begin_step=step)
            record.make(PagingSetZone, paging_set=found, zone=berth.quay.zone)
        else:
            found = record.make(Supply, closet=record.closet, name="S7", begin_step=step)
            record.make(SupplyFacts, supply=found, model=berth.quay.supply_model, step=step)
    assert_round_trip(record.site, tmp_path)


# --- by hand ------------------------------------------------------------------------------------------------


def recounted(**cells: str) -> None:
    """A pier whose set of hall and gangway was the hall alone until “recount”."""
    row = {
        "site": "pier", "change": "recount", "file": "paging_sets", "thing": "name=boats",
        "held_since": "built", "column": "zones", "before": "Hall", "after": "Gangway | Hall",
    }  # fmt: skip
    folder = pier()
    folder["corrections"] = [row | cells]
    take(folder)


def test_by_hand() -> None:
    recounted()
    steps = PagingSetZone.objects.values_list("zone__name", "change_set__reason")
    assert sorted(steps) == [("Gangway", "counted"), ("Hall", "new")]


@pytest.mark.parametrize(
    ("cells", "says"),
    [
        ({"after": "Hall", "before": ""}, "is Hall, but what then stands is Gangway | Hall"),
        ({"before": "Pier head"}, "there is no “Pier head” among the zones"),
        ({"column": "ends", "before": "swap", "after": "nobody"}, "no change “nobody”"),
        ({"column": "ends", "before": "", "after": "swap"}, "is swap, but what then stands is blank"),
        ({"before": "Gangway | Hall", "after": "Hall"}, "a zone is never taken out"),
    ],
)
def test_what_is_wrong_is_said(cells: dict[str, str], says: str) -> None:
    with pytest.raises(ChangeRefused, match=says.replace("|", r"\|")):
        recounted(**cells)


def test_files_put_a_zone_into_a_recorded_set_by_a_correction_only() -> None:
    folder = pier()
    folder["paging_sets"][0]["zones"] = "Hall"
    take(folder)
    folder["changes"].append(
        folder["changes"][3] | {"change": "asked", "day": "2025-02-01", "reason": "asked"}
    )
    folder["paging_sets"][0] |= {"zones": "Hall | Gangway", "described_by": "asked"}
    folder["changes"][-1]["kind"] = "work"
    with pytest.raises(ChangeRefused, match="a set keeps its zones"):
        take(folder)
    folder["changes"][-1]["kind"] = "correction"
    take(folder)
    steps = PagingSetZone.objects.values_list("zone__name", "change_set__reason")
    assert sorted(steps) == [("Gangway", "asked"), ("Hall", "new")]
