"""Rows written by hand inside a change set: what no operation would, and the database lets be so."""

from __future__ import annotations

from typing import Any

from sites.models import Endpoint, EndpointFacts, Supply
from sites.models.changes import ChangeSet
from zones.models import Point, PointFacts, Run, Zone

from .things import Things


def rewrite_points(things: Things, change_set: ChangeSet) -> None:
    """A correction of many rows in one statement."""
    points = things.points[things.run_with_points()]
    rows = PointFacts.objects.filter(point__in=points, kind=PointFacts.Kind.DEVICE)
    rows.update(current_basis=things.one([1, 2, 3, 4]), change_set_id=change_set.pk)


def rewrite_the_past(things: Things, change_set: ChangeSet) -> None:
    """A row of facts between two others: the device was another for a while."""
    rows = list(PointFacts.objects.filter(point_id=things.point()).order_by("step"))
    row = things.one(rows)
    step = row.step + things.rng.choice([1, 65536, 65536 * 30])
    if step not in [each.step for each in rows]:
        row.step, row.change_set_id = step, change_set.pk
        if row.kind != PointFacts.Kind.SPLICE:
            row.model_id = things.model("ceiling_speaker", "horn")
            row.speech_current_a = None
        row.save(force_insert=True)


def connect_behind_a_later_point(things: Things, change_set: ChangeSet) -> None:
    """A point whose parent, for a while, was not there yet."""
    run = things.run_with_points()
    first, *_, last = sorted(
        Point.objects.filter(run=run),
        key=lambda point: PointFacts.objects.filter(point=point).earliest("step").step,
    )
    if first.rank <= last.rank:
        return
    PointFacts.objects.filter(point=first).update(
        parent=last, parent_rank=last.rank, change_set_id=change_set.pk
    )


def two_on_a_port(things: Things, change_set: ChangeSet) -> None:
    """Two endpoints recorded on one port."""
    known = EndpointFacts.objects.filter(endpoint__in=things.endpoints, port__isnull=False).first()
    if known is None:
        return
    endpoint = Endpoint(site_id=things.site_id, change_set_id=change_set.pk, name=things.name("twin"))
    endpoint.begin_step = _step(change_set)
    endpoint.save(force_insert=True)
    _facts(
        EndpointFacts(endpoint=endpoint, model_id=things.model("network_speaker", "network_amplifier")),
        things,
        change_set,
        power_source="port",
        port_id=known.port_id,
    )
    things.keep(endpoint)


def unplug(things: Things, change_set: ChangeSet) -> None:
    """A supply that is gone from the record while it still feeds runs."""
    Supply.objects.filter(pk=things.one(things.supplies), end_step__isnull=True).update(
        end_step=change_set.step, change_set_id=change_set.pk
    )


def nothing_known(things: Things, change_set: ChangeSet) -> None:
    """A run of which nothing is said."""
    run = Run(site_id=things.site_id, change_set_id=change_set.pk, block_id=things.one(things.blocks))
    run.name, run.kind, run.begin_step = things.name("R"), Run.Kind.SELF_AMPLIFIED, _step(change_set)
    run.save(force_insert=True)
    things.keep(run)


def zone_of_nothing_known(things: Things, change_set: ChangeSet) -> None:
    """A zone of which nothing is said."""
    zone = Zone(site_id=things.site_id, change_set_id=change_set.pk, name=things.name("Z"))
    zone.begin_step = _step(change_set)
    zone.save(force_insert=True)
    things.keep(zone)


def _facts(row: Any, things: Things, change_set: ChangeSet, **said: Any) -> None:
    for name, value in said.items():
        setattr(row, name, value)
    row.site_id, row.change_set_id, row.step = things.site_id, change_set.pk, change_set.step
    row.save(force_insert=True)


def _step(change_set: ChangeSet) -> int:
    assert change_set.step is not None
    return change_set.step


Writing = Any
RAW: list[tuple[int, str, Writing]] = [
    (5, "correction", rewrite_points),
    (4, "correction", rewrite_the_past),
    (1, "correction", connect_behind_a_later_point),
    (2, "work", two_on_a_port),
    (1, "work", unplug),
    (1, "work", nothing_known),
    (1, "work", zone_of_nothing_known),
]
