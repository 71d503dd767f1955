"""Subjects and places in words."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from tests.zones.recording import DAY, SiteRecord
from zones.electrical.subjects import SubjectKind
from zones.limits.limit import Detail
from zones.models import Test, ZoneSubject
from zones.subjects import SUBJECTS, Names, in_closet

pytestmark = pytest.mark.django_db


def test_every_kind_of_subject_has_a_name_and_a_closet(django_assert_num_queries: Any) -> None:
    record = SiteRecord("quay-9")
    with record.change():
        supply, amplifier, switch = record.supply(), record.amplifier(), record.switch()
        port, endpoint = record.port(switch, 3), record.endpoint()
        output, run = record.output(endpoint, 2), record.run()
    subjects = {
        (SubjectKind.RUN, run.pk): "run R1",
        (SubjectKind.OUTPUT, output.pk): "output 2 of GW 1",
        (SubjectKind.SUPPLY, supply.pk): "supply PS 1",
        (SubjectKind.AMPLIFIER, amplifier.pk): "amplifier A 1",
        (SubjectKind.SWITCH, switch.pk): "switch SW 1",
        (SubjectKind.PORT, port.pk): "port 3 of SW 1",
        (SubjectKind.ENDPOINT, endpoint.pk): "endpoint GW 1",
        (SubjectKind.BLOCK, record.block.pk): "block B1",
        (SubjectKind.SITE, record.site_id): "Quay-9",
    }
    assert {kind for kind, _ in subjects} == set(SubjectKind) == set(SUBJECTS)
    with django_assert_num_queries(1):
        names = Names(subjects)
    assert {subject: names.of(subject) for subject in subjects} == subjects
    for kind, id_ in subjects:
        expected = None if kind is SubjectKind.SITE else record.closet.pk
        assert names.closet_of((kind, id_)) == expected, kind


def test_one_that_is_not_there_is_called_by_its_id() -> None:
    names = Names([(SubjectKind.RUN, 999_999)])
    assert names.of((SubjectKind.RUN, 999_999)) == "run 999999"
    assert names.closet_of((SubjectKind.RUN, 999_999)) is None


def test_every_kind_of_detail_has_a_name() -> None:
    record = SiteRecord()
    with record.change():
        run, endpoint = record.run(), record.endpoint(name="NS 3")
        plain = record.point(run, "P1", 1.0)
        moved = record.point(run, "P2", 2.0, parent=plain, place="over the ramp")
        reading = record.make(
            Test, kind="run_current", state="idle", run=run, value=0.2, taken_on=DAY, step=1
        )
    with record.change(DAY + dt.timedelta(days=1)):
        record.point_facts(moved, parent=plain, place="gangway")
    details = {
        (Detail.POINT, plain.pk): "P1",
        (Detail.POINT, moved.pk): "P2 (gangway)",
        (Detail.ROW, 7): "row 7",
        (Detail.ENDPOINT, endpoint.pk): "NS 3",
        (Detail.READING, reading.pk): "reading of 2026-03-02",
    }
    names = Names([], details)
    assert {of: names.place(*of) for of in details} == details
    assert names.place(None, 7) == names.place(Detail.POINT, None) == ""


def test_what_stands_in_a_closet_is_found_by_kind_and_id() -> None:
    """A subject of the same id and another kind is none of the closet's."""
    record = SiteRecord("quay-10")
    with record.change():
        supply, zone = record.supply(), record.zone()
    kinds = [SubjectKind.SUPPLY, SubjectKind.SITE]
    ZoneSubject.objects.bulk_create(
        ZoneSubject(site_id=supply.site_id, zone=zone, subject_kind=int(kind), subject_id=supply.pk)
        for kind in kinds
    )
    found = ZoneSubject.objects.filter(in_closet(supply.closet))
    assert list(found.values_list("subject_kind", "subject_id")) == [(SubjectKind.SUPPLY, supply.pk)]


def test_other_things_are_named_with_the_subjects() -> None:
    record = SiteRecord("quay-11")
    with record.change():
        zone, supply = record.zone(), record.supply()
    names = Names([(SubjectKind.SUPPLY, supply.pk)], others=[("zone", zone.pk)])
    assert names.texts == {
        ("supply", supply.pk): f"supply {supply.name}",
        ("zone", zone.pk): f"zone {zone.name}",
    }
