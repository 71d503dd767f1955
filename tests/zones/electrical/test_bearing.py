"""What bears on a zone, from arrays alone."""

from __future__ import annotations

import numpy as np
import pytest

from tests.zones.electrical.plants import ToyPlant
from zones.electrical.bearing import bearing
from zones.electrical.plant import Members, Plant
from zones.electrical.subjects import Subject, SubjectKind

HALL, GANGWAY, QUAY = 11, 12, 13


def on(plant: Plant, step: int = 1) -> dict[int, set[Subject]]:
    found = bearing(plant, Members.of_sites(plant, step))
    assert set(found.member.tolist()) <= {0}
    out: dict[int, set[Subject]] = {}
    for zone, kind, subject in zip(found.zone_id, found.subject_kind, found.subject_id, strict=True):
        out.setdefault(int(zone), set()).add((SubjectKind(int(kind)), int(subject) - 1000))
    assert sum(map(len, out.values())) == len(found), "each once"
    return out


def test_a_run_brings_all_that_feeds_it_and_all_that_it_lies_on() -> None:
    toy = ToyPlant()
    switch = toy.add("switches")
    port = toy.add("ports", switch_index=switch)
    endpoint = toy.add("endpoints", port_index=port)
    output, supply, mid_run = toy.add("outputs"), toy.add("supplies"), toy.add("supplies")
    toy.output_endpoints[output] = endpoint
    own, power, other = toy.block(), toy.block(), toy.block()
    run = toy.run(zone_id=HALL, supply_index=supply, output_index=output, block=own)
    toy.add("points", run_index=run, feed_supply_index=mid_run)
    toy.add("landings", block_index=power, run_index=run)
    toy.add("landings", block_index=other, run_index=-1)
    assert on(toy.build()) == {
        HALL: {
            (SubjectKind.RUN, run),
            (SubjectKind.OUTPUT, output),
            (SubjectKind.SUPPLY, supply),
            (SubjectKind.SUPPLY, mid_run),
            (SubjectKind.ENDPOINT, endpoint),
            (SubjectKind.PORT, port),
            (SubjectKind.SWITCH, switch),
            (SubjectKind.BLOCK, own),
            (SubjectKind.BLOCK, power),
        }
    }


def test_a_speaker_in_another_zone_brings_its_run_and_what_feeds_that() -> None:
    toy = ToyPlant()
    amplifier = toy.add("amplifiers")
    run = toy.run(zone_id=HALL, amplifier_index=amplifier, block=toy.block())
    (point,) = toy.chain(run, 1, zone_id=GANGWAY)
    toy.change("points", point, step=2, zone_id=-1)
    subjects = {(SubjectKind.RUN, run), (SubjectKind.AMPLIFIER, amplifier), (SubjectKind.BLOCK, 0)}
    assert on(toy.build()) == {HALL: subjects, GANGWAY: subjects}
    assert on(toy.build(), step=2) == {HALL: subjects}


def test_a_run_of_no_zone_bears_on_none() -> None:
    toy = ToyPlant()
    toy.run(zone_id=-1, supply_index=toy.add("supplies"), block=toy.block())
    assert on(toy.build()) == {}
    assert on(ToyPlant().build()) == {}


@pytest.mark.parametrize(("step", "zones"), [(1, {QUAY}), (5, set())])
def test_a_network_speaker_bears_on_where_it_is_heard_while_it_is(step: int, zones: set[int]) -> None:
    toy = ToyPlant()
    port = toy.add("ports", switch_index=toy.add("switches"))
    speaker = toy.add("endpoints", port_index=port)
    toy.add("heard", endpoint_index=speaker, zone_id=QUAY, end=5)
    found = on(toy.build(), step)
    assert set(found) == zones
    for subjects in found.values():
        assert subjects == {(SubjectKind.ENDPOINT, 0), (SubjectKind.PORT, 0), (SubjectKind.SWITCH, 0)}


def test_each_member_has_its_own_day() -> None:
    toy = ToyPlant()
    first, second = toy.add("supplies"), toy.add("supplies")
    run = toy.run(zone_id=HALL, supply_index=first, block=toy.block())
    toy.change("runs", run, step=2, supply_index=second, zone_id=QUAY)
    plant = toy.build()
    members = Members(np.array([0, 0]), np.array([1, 2]), np.array([-1, -1]))
    found = bearing(plant, members)
    supplies = found.subject_kind == SubjectKind.SUPPLY
    assert np.column_stack(
        [found.member[supplies], found.zone_id[supplies], found.subject_id[supplies] - 1000]
    ).tolist() == [[0, HALL, first], [1, QUAY, second]]


def test_a_supply_in_mid_run_bears_on_the_zone_of_its_run_alone_on_every_day() -> None:
    toy = ToyPlant()
    mid_run = toy.add("supplies")
    first = toy.run(zone_id=HALL, block=toy.block())
    toy.run(zone_id=GANGWAY, block=toy.block())
    toy.add("points", run_index=first, feed_supply_index=mid_run)
    members = Members(np.array([0, 0]), np.array([1, 2]), np.array([-1, -1]))
    found = bearing(toy.build(), members)
    supplies = found.subject_kind == SubjectKind.SUPPLY
    assert found.zone_id[supplies].tolist() == [HALL, HALL]


def test_they_come_by_member_then_zone_then_kind_then_id() -> None:
    toy = ToyPlant()
    supply = toy.add("supplies")
    for zone in (QUAY, HALL, HALL):
        toy.run(zone_id=zone, supply_index=supply, block=toy.block())
    found = bearing(toy.build(), Members(np.array([0, 0]), np.array([1, 2]), np.array([-1, -1])))
    rows = list(zip(found.member, found.zone_id, found.subject_kind, found.subject_id, strict=True))
    assert len(rows) == 2 * (3 + 5)
    assert rows == sorted(rows)
