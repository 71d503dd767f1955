"""Subjects and places in words."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from tests.zones.recording import DAY, SiteRecord
from zones.electrical.subjects import SubjectKind
from zones.limits.limit import Detail
from zones.limits.names import names_of, places_of
from zones.models import Reading

pytestmark = pytest.mark.django_db


def test_every_kind_of_subject_has_a_name(django_assert_max_num_queries: Any) -> None:
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
    with django_assert_max_num_queries(len(SubjectKind)):
        assert names_of((int(kind), id_) for kind, id_ in subjects) == subjects


def test_every_kind_of_detail_has_a_name() -> None:
    record = SiteRecord()
    with record.change():
        run, endpoint = record.run(), record.endpoint(name="NS 3")
        plain = record.point(run, "P1", 1.0)
        moved = record.point(run, "P2", 2.0, parent=plain, place="over the ramp")
        reading = record.make(
            Reading, kind="run_current", state="idle", run=run, value=0.2, taken_on=DAY, step=1
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
    assert places_of(details) == details
    assert places_of([]) == {}
