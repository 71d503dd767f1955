"""Two zones on one supply: what each carries, and what a draft would add."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.db import connection

from sites.models import Basis, Block, Closet, DeviceModel, Endpoint, Output, Site, Supply, Switch
from sites.services.endpoints import endpoint_move
from tests import factories
from zones.models import Point, Run, Zone


@dataclass(frozen=True)
class Hall:
    """The ticket hall: 30 wall speakers at 40 mA on one run, and the gangway's 10, all on one 2 A supply."""

    site: Site
    closet: Closet
    block: Block
    zone: Zone
    gangway: Zone
    run: Run
    gangway_run: Run
    supply: Supply
    gateway: Endpoint
    switch: Switch
    speaker: DeviceModel
    points: list[Point]

    @property
    def output(self) -> Output:
        return self.gateway.outputs.get(number=1)


def make_hall(closet: Closet, block: Block) -> Hall:
    site = closet.site
    speaker = factories.make_model(DeviceModel.Kind.WALL_SPEAKER)
    supply = factories.make_supply(closet, name="PS 1")
    gateway = factories.make_gateway(closet, name="GW 1")
    switch = factories.make_switch(closet, name="SW 1")
    endpoint_move(factories.change(site), endpoint=gateway, port=switch.ports.get(number=3))
    zone, gangway = factories.make_zone(site, name="Ticket hall"), factories.make_zone(site, name="Gangway")
    first, second = (
        factories.make_run(
            block, zone=of, name=name, supply=supply, output=gateway.outputs.get(number=number)
        )
        for of, name, number in ((zone, "R1", 1), (gangway, "R2", 2))
    )
    basis: dict[str, Any] = {
        "current_basis": Basis.MEASURED,
        "dc_pairs": 3,
        "cable_type": factories.make_cable(),
    }
    points = factories.make_points(first, 30, speaker, length_m=1.0, **basis)
    factories.make_points(second, 10, speaker, length_m=1.0, **basis)
    return Hall(site, closet, block, zone, gangway, first, second, supply, gateway, switch, speaker, points)


def lose_facts(point: Point) -> None:
    """Take away all facts of a point that others come after, so that their run cannot be computed. No
    channel can do that."""
    with connection.cursor() as cursor:
        cursor.execute("ALTER TABLE point_facts DISABLE TRIGGER USER")
        cursor.execute("DELETE FROM point_facts WHERE point_id = %s", [point.pk])
        cursor.execute("ALTER TABLE point_facts ENABLE TRIGGER USER")


def more_speakers(hall: Hall, count: int = 12) -> list[dict[str, Any]]:
    """Operations that put some more speakers behind the hall's last one, at 40 mA each."""
    return [
        {
            "op": "point.append",
            "label": f"n{number}",
            "run_id": hall.run.pk,
            "after_id": f"@n{number - 1}" if number else hall.points[-1].pk,
            "model_id": hall.speaker.pk,
            "current_basis": "measured",
            "length_m": 1.0,
            "length_basis": "measured",
        }
        for number in range(count)
    ]
