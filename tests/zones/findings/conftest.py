"""A site of one supply and two runs in the database, with or without a contract, and rechecks of it on "
"any day."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import Any

import pytest
from django.db import connection
from django.db.backends.postgresql.psycopg_any import DateRange

from sites.models import ChangeSet, Contract, Coverage, DeviceModel, Event, Mark
from tests.api.events.described import described
from tests.zones.recording import SiteRecord, cable_type, device_model, shared_change
from zones.models import Case, Finding, Point, PointFacts, Run, Zone
from zones.recheck.batch import check

BUILT = dt.date(2026, 3, 2)
ADDED = dt.date(2026, 5, 4)
NOW = dt.datetime(2026, 6, 1, 12, 0, tzinfo=dt.UTC)
MEASURED = 4


class Quay:
    """A 2 A supply (limit 1.60 A) that feeds a run of 27 wall speakers of 50 mA each, as measured: 1.35 A."""

    def __init__(self, speaker: DeviceModel | None = None, **site: Any) -> None:
        self.speaker: DeviceModel = speaker or device_model(
            "wall_speaker", speech_current_a=0.05, idle_current_a=0.02, minimum_voltage_v=5.0
        )
        self.facts: dict[str, Any] = {
            "model": self.speaker,
            "cable_type": cable_type(gauge_awg=22, category=False, conductor_rating_a=5.0),
            "current_basis": MEASURED,
            "length_m": 1.0,
        }
        self.record = SiteRecord(**site)
        self.supply_model = device_model(
            "supply", rated_current_a=2.0, no_load_voltage_v=24.0, class_2_marked=True
        )
        with self.record.change(BUILT, job_reference="LS-1900"):
            self.zone: Zone = self.record.zone("Ticket hall")
            self.supply = self.record.supply(self.supply_model, "S1")
            self.run: Run = self.record.run("R1", supply=self.supply, zone=self.zone)
            self.points = self.record.chain(self.run, 27, **self.facts)

    @property
    def site_id(self) -> int:
        return self.record.site_id

    def cover(self, first: dt.date = BUILT, **said: Any) -> Contract:
        with shared_change():
            contract = Contract.objects.create(
                customer=self.record.customer, reference=f"M-{self.site_id}", response_hours=8, **said
            )
            Coverage.objects.create(contract=contract, site_id=self.site_id, days=DateRange(first, None))
        return contract

    def add(
        self, count: int, day: dt.date = ADDED, *, current_a: float = 0.04, basis: int = MEASURED, **said: Any
    ) -> tuple[ChangeSet, list[Point]]:
        """Speakers behind the last point of the run."""
        last = self.run.points.order_by("rank").last()
        assert last is not None
        added: list[Point] = []
        with self.record.change(day, job_reference="LS-2207", **said) as change_set:
            for k in range(count):
                name = f"{change_set.pk}-{k}"
                facts = self.facts | {"speech_current_a": current_a, "current_basis": basis}
                last = self.record.point(self.run, name, last.rank + 1, parent=last, **facts)
                added.append(last)
        return change_set, added

    def remove(self, points: list[Point], day: dt.date) -> ChangeSet:
        with self.record.change(day, job_reference="LS-2300") as change_set:
            for point in points:
                parent = PointFacts.objects.filter(point=point).order_by("step").last()
                assert parent is not None
                self.record.point_facts(
                    point, parent=parent.parent, kind=PointFacts.Kind.SPLICE, length_m=1.0,
                    cable_type=self.facts["cable_type"],
                )  # fmt: skip
        return change_set

    def correct(self, points: list[Point], day: dt.date, **facts: Any) -> ChangeSet:
        with self.record.change(day, kind=ChangeSet.Kind.CORRECTION, reason="counted again") as change_set:
            PointFacts.objects.filter(point__in=points).update(**facts, change_set_id=change_set.pk)
        return change_set

    def check(self, now: dt.datetime = NOW) -> None:
        Mark.objects.create(site_id=self.site_id)
        check([self.site_id], now=now)

    def findings(self, code: str = "supply_current") -> list[Finding]:
        return list(Finding.objects.filter(site_id=self.site_id, code=code).order_by("id"))

    def finding(self, code: str = "supply_current") -> Finding:
        (found,) = self.findings(code)
        return found

    def cases(self) -> dict[str, bool]:
        """Keys of the site's cases, with whether each is open."""
        prefix = f"site-{self.site_id}/"
        return {
            case.key.removeprefix(prefix): case.cleared_at is None
            for case in Case.objects.filter(site_id=self.site_id).order_by("id")
        }

    def events(self) -> list[Event]:
        rows = Event.objects.filter(site_id=self.site_id).exclude(kind="change_set.accepted")
        return list(rows.order_by("id"))

    def kinds(self) -> list[str]:
        return [event.kind for event in self.events()]


@pytest.fixture(autouse=True)
def events_are_as_described(request: pytest.FixtureRequest) -> Iterator[None]:
    """Hold all events that a test makes to what the API says of their kind."""
    with_database = "db" in request.fixturenames
    if with_database:
        request.getfixturevalue("db")
    yield
    # what a refused statement left of its transaction can be asked nothing
    if with_database and not connection.needs_rollback:
        for event in Event.objects.all():
            described(event)


@pytest.fixture
def quay(db: None) -> Quay:
    """Under contract, and within its limits."""
    quay = Quay()
    quay.cover()
    return quay
