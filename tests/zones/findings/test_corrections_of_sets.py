"""Corrections of which zones page together, named where they made the crossing.

A supply of 2 A (limit 0.8 × 2 = 1.60 A) feeds 27 wall speakers of the ticket hall and 6 of the lanes, which
draw 0.05 A each at speech and 0.02 A idle, all measured. The hall alone is 27 × 0.05 + 6 × 0.02 = 1.47 A, the
lanes alone 6 × 0.05 + 27 × 0.02 = 0.84 A, both together 33 × 0.05 = 1.65 A.
"""

from __future__ import annotations

import pytest

from sites.models import ChangeSet
from tests.zones.findings.conftest import ADDED, Quay
from tests.zones.findings.test_corrections import CORRECTION, DAY, LATER, keys, named
from zones.models import PagingSet, PagingSetZone, Zone


def paging_set(quay: Quay, name: str, *zones: Zone) -> PagingSet:
    made: PagingSet = quay.record.make(PagingSet, name=name)
    for zone in zones:
        quay.record.make(PagingSetZone, paging_set=made, zone=zone)
    return made


def lanes(quay: Quay, zone: Zone | None = None) -> tuple[Zone, ChangeSet]:
    """The lanes, whose speakers were added, and that change."""
    with quay.record.change(ADDED) as work:
        zone = zone or quay.record.zone("Marshalling lanes")
        quay.record.chain(quay.record.run("R2", supply=quay.supply, zone=zone), 6, **quay.facts)
    return zone, work


def test_an_end_that_a_correction_recorded_is_named_where_it_crossed_a_limit(quay: Quay) -> None:
    """Sets of one zone each turn out to have been given up the day before the lanes were added."""
    with quay.record.change(ADDED - 2 * DAY):
        sets = [paging_set(quay, "hall", quay.zone)]
    with quay.record.change(ADDED - DAY) as before:
        quay.record.supply(name="S 9")
    _, work = lanes(quay)
    quay.check()
    assert not quay.findings()
    with quay.record.change(LATER, kind=CORRECTION, reason="asked") as seen:
        ended = {"end_step": before.step, "change_set_id": seen.pk}
        PagingSet.objects.filter(pk__in=[one.pk for one in sets]).update(**ended)
    quay.check()
    assert quay.finding().likely == pytest.approx(1.65)
    assert quay.finding().attribution["kind"] == "correction"
    assert (named(quay)["change_set"], named(quay)["correction"]) == (work.pk, seen.pk)
    assert keys(quay) == [f"change-set-{seen.pk}"]


def test_a_zone_that_a_correction_put_into_a_set_is_named_where_it_crossed_a_limit(quay: Quay) -> None:
    with quay.record.change(ADDED - DAY):
        empty = quay.record.zone("Marshalling lanes")
        hall = paging_set(quay, "hall", quay.zone)
    zone, work = lanes(quay, empty)
    quay.check()
    assert not quay.findings()
    with quay.record.change(LATER, kind=CORRECTION, reason="asked") as seen:
        quay.record.make(PagingSetZone, paging_set=hall, zone=zone)
    quay.check()
    assert quay.finding().likely == pytest.approx(1.65)
    assert quay.finding().attribution["kind"] == "correction"
    assert (named(quay)["change_set"], named(quay)["correction"]) == (work.pk, seen.pk)
    assert keys(quay) == [f"change-set-{seen.pk}"]


def test_what_later_work_said_of_a_whole_set_stays_without_the_correction(quay: Quay) -> None:
    """4 of the lanes' 6 speakers are added last: 29 × 0.05 A = 1.45 A become 1.65 A. By then work had made
    another set of both zones, whole, so it does not rest on the correction of the set before."""
    with quay.record.change(ADDED):
        zone = quay.record.zone("Marshalling lanes")
        run = quay.record.run("R2", supply=quay.supply, zone=zone)
        points = quay.record.chain(run, 2, **quay.facts)
        hall = paging_set(quay, "hall", quay.zone)
    with quay.record.change(LATER, kind=CORRECTION, reason="asked"):
        quay.record.make(PagingSetZone, paging_set=hall, zone=zone)
    with quay.record.change(LATER + DAY) as another:
        quay.record.end(hall, another)
        paging_set(quay, "hall", quay.zone, zone)
    with quay.record.change(LATER + 2 * DAY) as work:
        for number in (3, 4, 5, 6):
            point = quay.record.point(run, f"R2-{number}", float(number), parent=points[-1], **quay.facts)
            points.append(point)
    quay.check()
    assert quay.finding().likely == pytest.approx(1.65)
    assert (named(quay)["change_set"], named(quay)["correction"]) == (work.pk, None)
