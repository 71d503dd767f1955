"""A site with every kind of correction goes out, and comes into an empty database with the same findings and
the same changes named, corrections included."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command
from django.utils import timezone

from sites.models import Block, ChangeSet, DeviceModel, Site, Supply
from tests.zones.findings.conftest import ADDED, Quay
from tests.zones.findings.test_corrections import edit
from zones.asbuilt.formats import CORRECTED
from zones.asbuilt.resolving import Importer
from zones.asbuilt.services import import_files
from zones.models import ClipFacts, Landing, Run, RunFacts
from zones.plant.corrections import OF

from .folders import versions_of
from .test_corrections import CORRECTION, DAY, LATER, told
from .test_round_trip import exported

LI = Run.Kind.LOW_IMPEDANCE


def corrected_site() -> Quay:
    """27 speakers at 0.050 A and 3 at 0.040 A draw 1.47 A from S1 (limit 0.8 × 2 = 1.60 A); 40 speakers at
    0.045 A would draw 1.80 A from S2, were R2 fed by it; row 3 of B1 is joined; two conductors lie on one
    side of row 1 of B2, whose kind takes two."""
    quay = Quay(design_temperature_c=20.0)
    record = quay.record
    quay.add(3)
    with record.change(ADDED, job_reference="LS-2400"):
        record.supply(quay.supply_model, "S2")
        run = record.run("R2", kind=LI, zone=quay.zone)
        record.chain(run, 40, **quay.facts | {"speech_current_a": 0.045})
        block = record.make(Block, closet=record.closet, name="B2", kind=Block.Kind.UNSPLIT_66)
        for of in (quay.run, run):
            land(quay, block, 1, run=of)
        land(quay, record.block, 3, supply=quay.supply, carries="dc_positive")
        land(quay, record.block, 3, run=quay.run, carries="dc_positive")
        record.make(ClipFacts, block=record.block, row=3, is_in=True)
    return quay


def land(quay: Quay, block: Block, row: int, carries: str = "spare", **owner: Any) -> None:
    side = Landing.Side.FIELD if "run" in owner else Landing.Side.EQUIPMENT
    said = {"pair": 1, "conductor": "first", "carries": carries}
    quay.record.make(Landing, block=block, row=row, side=side, **said, **owner)


def correct_everything(quay: Quay) -> None:
    """One after the other: a length, a name, the kind of a run with its feed, the kind of a block, a clip,
    the site, the catalogue."""
    quay.correct(quay.points[:1], LATER, length_m=1.5)
    rewritten: list[tuple[Any, dict[str, Any], dict[str, Any]]] = [
        (Supply, {"pk": quay.supply.pk}, {"name": "S1 north"}),
        (Run, {"name": "R2"}, {"kind": Run.Kind.SELF_AMPLIFIED}),
        (Block, {"name": "B2"}, {"kind": Block.Kind.TYPE_110}),
        (ClipFacts, {"row": 3}, {"is_in": False}),
        (Site, {"pk": quay.site_id}, {"design_temperature_c": 35.0}),
    ]  # fmt: skip
    for number, (model, chosen, values) in enumerate(rewritten):
        with quay.record.change(LATER + (1 + number) * DAY, kind=CORRECTION, reason="seen") as seen:
            model.objects.filter(**chosen).update(**values, change_set_id=seen.pk)
            if model is Run:
                fed = {"supply": Supply.objects.get(name="S2"), "change_set_id": seen.pk}
                RunFacts.objects.filter(run__name="R2").update(**fed)
    edit(quay, speech_current_a=0.055)  # 27 × 0.055 + 3 × 0.04 = 1.605 A


@pytest.mark.django_db(transaction=True)
def test_into_an_empty_database(tmp_path: Path) -> None:
    quay = corrected_site()
    correct_everything(quay)
    site = quay.record.site
    here, versions = told(site.pk), versions_of(site)
    files = exported(site, tmp_path / "first")
    call_command("flush", interactive=False, verbosity=0)
    assert not DeviceModel.objects.exists()

    import_files(files, Importer("Mila Quay", timezone.now()))
    copy = Site.objects.get()
    assert versions_of(copy) == versions
    assert told(copy.pk) == here
    assert exported(copy, tmp_path / "second") == files
    named = {
        (row[0], row[3].partition("known since ")[2]) for row in here if isinstance(row, list) and row[3]
    }
    kinds = {code for code, known in named if known}
    assert kinds == {"supply_current", "row_used_twice", "clip_out"}
    assert len([row for row in here if isinstance(row, list) and row[0] == "supply_current"]) == 2


@pytest.mark.django_db(transaction=True)
def test_what_the_file_says(tmp_path: Path) -> None:
    quay = corrected_site()
    correct_everything(quay)
    text = exported(quay.record.site, tmp_path)["corrections.csv"].decode()
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [(row["file"], row["column"], row["before"], row["after"]) for row in rows] == [
        ("points", "length_m", "1", "1.5"),
        ("supplies", "name", "S1", "S1 north"),
        ("runs", "kind", "low_impedance", "self_amplified"),
        ("runs", "supply", "", "S2"),
        ("blocks", "kind", "66_unsplit", "110"),
        ("clips", "clip", "in", "out"),
        ("sites", "design_temperature_c", "20", "35"),
        ("device_models", "speech_current_a", "0.05", "0.055"),
    ]
    assert [row["thing"] for row in rows if row["file"] in ("supplies", "clips", "device_models")] == [
        "name=S1 north", "block=B1 | row=3", f"name={quay.speaker.name}",
    ]  # fmt: skip
    assert str(ChangeSet.objects.get(kind="catalogue").happened_on) == rows[-1]["change"]


def test_every_table_whose_corrections_are_undone_is_in_the_files() -> None:
    """But readings, which are superseded; the zones of a paging set stand in the row of the set."""
    models = [model for kind in CORRECTED for model in (kind.model, kind.facts) if model is not None]
    assert {model._meta.db_table for model in models} == OF.keys() - {"reading", "paging_set_zone"}
