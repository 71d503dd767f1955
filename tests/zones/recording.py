"""Records of sites for tests, written row by row with raw models inside change sets: the database holds them
to the same rules as what the services write."""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from django.db import connection, models

from sites.changes.services import Change, open_change_set
from sites.models import (
    Amplifier,
    AmplifierFacts,
    Block,
    CableType,
    ChangeSet,
    Closet,
    Customer,
    DeviceModel,
    Endpoint,
    EndpointFacts,
    Output,
    Site,
    Supply,
    SupplyFacts,
    Switch,
    SwitchFacts,
    SwitchPort,
    SwitchPortFacts,
)
from zones.models import Point, PointFacts, Run, RunFacts, Zone, ZoneFacts
from zones.rules.points import DEVICE_KINDS

DAY = dt.date(2026, 3, 2)
_numbers = itertools.count(1)


@contextmanager
def shared_change() -> Iterator[ChangeSet]:
    """A change set of what all sites share."""
    change = Change(
        site_id=None,
        user=None,
        actor="Ida Lark",
        reason="as listed",
        channel=ChangeSet.Channel.COMMAND,
        happened_on=DAY,
    )
    with open_change_set(change) as change_set:
        yield change_set


def device_model(kind: str, **ratings: Any) -> DeviceModel:
    with shared_change():
        return DeviceModel.objects.create(name=f"{kind} {next(_numbers)}", kind=kind, **ratings)


def cable_type(**said: Any) -> CableType:
    with shared_change():
        return CableType.objects.create(name=f"cable {next(_numbers)}", **said)


class SiteRecord:
    """A site and the rows of its record. What is made inside ``change`` is of its step."""

    def __init__(self, code: str | None = None, **details: Any) -> None:
        with shared_change():
            self.customer, _ = Customer.objects.get_or_create(
                code="strand", defaults={"name": "Strand Ferries"}
            )
        self.changes: list[ChangeSet] = []
        code = code or f"quay-{next(_numbers)}"
        with connection.cursor() as cursor:
            cursor.execute("SELECT nextval('site_id_seq')")
            self.site_id = int(cursor.fetchone()[0])
        with self.change():
            self.site = Site.objects.create(
                id=self.site_id, customer=self.customer, code=code, name=code.title(), **details
            )
            self.closet = self.make(Closet, name="IDF 1")
            self.block = self.make(Block, closet=self.closet, name="B1", kind=Block.Kind.SPLIT_66)

    @contextmanager
    def change(
        self, day: dt.date = DAY, *, kind: ChangeSet.Kind = ChangeSet.Kind.WORK, **said: Any
    ) -> Iterator[ChangeSet]:
        change = Change(
            site_id=self.site_id,
            user=None,
            actor="Tom Reed",
            reason=said.pop("reason", "as built"),
            channel=ChangeSet.Channel.COMMAND,
            happened_on=day,
            kind=kind,
            **said,
        )
        with open_change_set(change) as change_set:
            self.changes.append(change_set)
            try:
                yield change_set
            finally:
                self.changes.pop()

    def make(self, of: type[models.Model], /, **values: Any) -> Any:
        """What the database would fill in by itself is said: to read it back takes as long as to write it."""
        change_set = self.changes[-1]
        filled = {"change_set": change_set, "step": change_set.step, "begin_step": change_set.step}
        names = {field.name for field in of._meta.concrete_fields}
        row = of(site_id=self.site_id, **{k: v for k, v in filled.items() if k in names} | values)
        row.save(force_insert=True)
        return row

    def end(self, thing: models.Model, change_set: ChangeSet) -> None:
        type(thing)._default_manager.filter(pk=thing.pk).update(
            end_step=change_set.step, change_set_id=change_set.pk
        )

    def supply(self, model: DeviceModel | None = None, name: str = "PS 1") -> Supply:
        supply = self.make(Supply, closet=self.closet, name=name)
        self.make(SupplyFacts, supply=supply, model=model)
        return supply  # type: ignore[no-any-return]

    def amplifier(self, model: DeviceModel | None = None, name: str = "A 1", **facts: Any) -> Amplifier:
        amplifier = self.make(Amplifier, closet=self.closet, name=name)
        self.make(AmplifierFacts, amplifier=amplifier, model=model, **facts)
        return amplifier  # type: ignore[no-any-return]

    def switch(self, model: DeviceModel | None = None, name: str = "SW 1", **facts: Any) -> Switch:
        switch = self.make(Switch, closet=self.closet, name=name)
        self.make(SwitchFacts, switch=switch, model=model, **facts)
        return switch  # type: ignore[no-any-return]

    def port(self, switch: Switch, number: int = 1, **facts: Any) -> SwitchPort:
        port = self.make(SwitchPort, switch=switch, number=number)
        if facts:
            self.make(SwitchPortFacts, port=port, **facts)
        return port  # type: ignore[no-any-return]

    def endpoint(self, model: DeviceModel | None = None, name: str = "GW 1", **facts: Any) -> Endpoint:
        endpoint = self.make(Endpoint, closet=self.closet, name=name)
        self.make(EndpointFacts, endpoint=endpoint, model=model, **facts)
        return endpoint  # type: ignore[no-any-return]

    def output(self, endpoint: Endpoint, number: int = 1) -> Output:
        return self.make(Output, endpoint=endpoint, number=number)  # type: ignore[no-any-return]

    def zone(
        self, name: str = "Ticket hall", signal: ZoneFacts.Signal | None = ZoneFacts.Signal.UNKNOWN
    ) -> Zone:
        """signal: None: a zone without facts."""
        zone = self.make(Zone, name=name)
        if signal is not None:
            self.make(ZoneFacts, zone=zone, signal=signal)
        return zone  # type: ignore[no-any-return]

    def run(self, name: str = "R1", kind: str = Run.Kind.SELF_AMPLIFIED, **facts: Any) -> Run:
        run = self.make(Run, block=self.block, name=name, kind=kind)
        self.make(RunFacts, run=run, **facts)
        return run  # type: ignore[no-any-return]

    def point(self, run: Run, name: str, rank: float, *, parent: Point | None = None, **facts: Any) -> Point:
        point = self.make(Point, run=run, name=name, rank=rank)
        self.point_facts(point, parent=parent, **facts)
        return point  # type: ignore[no-any-return]

    def point_facts(self, point: Point, *, parent: Point | None = None, **facts: Any) -> PointFacts:
        facts = {"length_m": 10.0, "length_basis": 4, "dc_pairs": 1} | facts
        model = facts.get("model")
        if model is not None:
            facts.setdefault("device_kind", DEVICE_KINDS[model.kind])
        return self.make(  # type: ignore[no-any-return]
            PointFacts,
            run_id=point.run_id,
            point=point,
            rank=point.rank,
            parent=parent,
            parent_rank=parent.rank if parent else None,
            **facts,
        )

    def chain(self, run: Run, count: int, **facts: Any) -> list[Point]:
        """``count`` equal devices one behind the other."""
        points: list[Point] = []
        for number in range(1, count + 1):
            parent = points[-1] if points else None
            points.append(self.point(run, f"{run.name}-{number}", float(number), parent=parent, **facts))
        return points
