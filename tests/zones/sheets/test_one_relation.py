"""What a sheet says of silence and of feeds is what the core says bears on a zone: on invented sites with
points in other zones, supplies in mid-run, amplifiers and network speakers."""

from __future__ import annotations

import datetime as dt
import re
from collections import defaultdict

import pytest

from sites.changes.steps import first_step_after
from tests import factories
from tests.oracle.histories.catalogue import make_catalogue
from tests.oracle.histories.playing import History
from zones.electrical.bearing import bearing
from zones.electrical.plant import Members
from zones.electrical.subjects import Subject, SubjectKind
from zones.models import Zone
from zones.plant.selectors import read_plant
from zones.sheets.feeds import FeedingDevice, zone_feeds
from zones.sheets.silenced import silenced

pytestmark = [pytest.mark.django_db, pytest.mark.slow]

SITES, SITES_LONG, CHANGES = (4, 8, 28), range(40), 25
"""Numbers of histories; among the few all is met that is compared."""
FED_BY = {"supply": SubjectKind.SUPPLY, "amplifier": SubjectKind.AMPLIFIER, "endpoint": SubjectKind.ENDPOINT}


def test_silence_and_feeds_are_what_bears_on_a_zone(pytestconfig: pytest.Config) -> None:
    catalogue = make_catalogue()
    contract = factories.make_contract(factories.make_customer())
    compared: dict[str, int] = defaultdict(int)
    for number in SITES_LONG if pytestconfig.getoption("--long") else SITES:
        history = History(number, catalogue, contract)
        for _ in history.play(CHANGES):
            pass
        before = first_step_after(max(history.days) + dt.timedelta(days=1))
        plant = read_plant([history.site_id])
        found = bearing(plant, Members.of_sites(plant, before - 1))
        bears: dict[int, set[Subject]] = defaultdict(set)
        for zone_id, kind, subject_id in zip(
            found.zone_id.tolist(), found.subject_kind.tolist(), found.subject_id.tolist(), strict=True
        ):
            bears[zone_id].add((SubjectKind(kind), subject_id))
        zones = {zone.name: zone for zone in Zone.objects.filter(site_id=history.site_id)}
        _compare_silence(history.site_id, before, bears, zones, compared)
        for zone in zones.values():
            _compare_feeds(zone, before, bears[zone.pk], compared)
    print(dict(compared))
    assert min(compared[what] for what in (*FED_BY, "run", "mid-run", "other zone", "speaker")) > 0


def _compare_silence(
    site_id: int,
    before: int,
    bears: dict[int, set[Subject]],
    zones: dict[str, Zone],
    compared: dict[str, int],
) -> None:
    said = silenced(site_id, before)
    told: dict[Subject, str] = {(FED_BY[kind], pk): text for (kind, pk), text in said.by_source.items()}
    told |= {(SubjectKind.RUN, pk): text for pk, text in said.by_run.items()}
    named: dict[Subject, set[str]] = {
        subject: {name for name in zones if re.search(rf"\bzone {re.escape(name)}(?=$|,| and | \()", text)}
        for subject, text in told.items()
    }
    expected: dict[Subject, set[str]] = defaultdict(set)
    for name, zone in zones.items():
        for subject in bears[zone.pk]:
            if subject[0] in (*FED_BY.values(), SubjectKind.RUN):
                expected[subject].add(name)
    for subject in expected.keys() | named.keys():
        heard_alone = subject[0] is SubjectKind.ENDPOINT and subject not in named
        if not heard_alone:  # a network speaker feeds no run that a clip could isolate
            assert named.get(subject, set()) == expected[subject], subject
            compared[SubjectKind(subject[0]).name.lower()] += 1


def _compare_feeds(zone: Zone, before: int, bears: set[Subject], compared: dict[str, int]) -> None:
    feeds = zone_feeds(zone, before)
    told: set[Subject] = set()
    devices: list[FeedingDevice] = list(feeds.speakers)
    for run in feeds.runs:
        things = [
            run.run,
            run.block,
            run.output,
            run.supply,
            run.amplifier,
            *(one.supply for one in run.mid_run),
        ]
        told |= {(SubjectKind[one.kind.upper()], one.id) for one in things if one is not None}
        devices += [run.device] if run.device is not None else []
        compared["mid-run"] += len(run.mid_run)
        compared["other zone"] += run.points is not None
    for device in devices:
        things = [device.endpoint, device.port, device.switch]
        told |= {(SubjectKind[one.kind.upper()], one.id) for one in things if one is not None}
    compared["speaker"] += len(feeds.speakers)
    # Conductors of a run may lie on other blocks besides the one that it leaves
    assert told <= bears
    assert {kind for kind, _ in bears - told} <= {SubjectKind.BLOCK}
