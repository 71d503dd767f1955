"""The catalogue that all sites share. An edit is a correction of each site that uses what was edited."""

from __future__ import annotations

import datetime as dt
from typing import TypedDict, Unpack

from sites.changes.errors import refuse
from sites.changes.models import ChangeSet, Mark
from sites.changes.operations import Use, operation
from sites.changes.services import today_at
from sites.changes.work import Work
from sites.models import CableType, DeviceModel, Factor, Site


class Ratings(TypedDict, total=False):
    idle_current_a: float | None
    speech_current_a: float | None
    full_output_current_a: float | None
    idle_power_w: float | None
    full_output_power_w: float | None
    minimum_voltage_v: float | None
    input_impedance_ohm: float | None
    input_sensitivity_v: float | None
    taps_w: list[float]
    nominal_impedance_ohm: float | None
    output_count: int | None
    output_impedance_ohm: float | None
    output_level_v: float | None
    output_speakers_max: int | None
    poe_class: int | None
    idle_poe_w: float | None
    paging_poe_w: float | None
    rated_current_a: float | None
    no_load_voltage_v: float | None
    rated_load_voltage_v: float | None
    voltage_tolerance: float
    lowest_voltage_v: float | None
    class_2_marked: bool | None
    rated_power_w: float | None
    line_voltages_v: list[float]
    minimum_impedance_ohm: float | None
    port_count: int | None
    poe_budget_w: float | None
    poe_budget_one_lost_w: float | None
    note: str


class DeviceModelAltered(Ratings, total=False):
    name: str


@operation("device_model.add", "A device model comes into the catalogue.", use=Use.ANY, shared=True)
def device_model_add(
    work: Work, *, name: str, kind: DeviceModel.Kind, **ratings: Unpack[Ratings]
) -> DeviceModel:
    return work.add(DeviceModel(name=name, kind=kind, **ratings))


@operation(
    "device_model.alter", "What the catalogue says of a device model was wrong.", use=Use.ANY, shared=True
)
def device_model_alter(
    work: Work, *, device_model: DeviceModel, **altered: Unpack[DeviceModelAltered]
) -> DeviceModel:
    if work.alter(device_model, altered):
        _correct_users(work, f"device model {device_model.name}")
    return device_model


class CableDetails(TypedDict, total=False):
    gauge_awg: int | None
    pair_count: int
    category: bool
    conductor_rating_a: float | None
    plenum: bool | None


class CableAltered(CableDetails, total=False):
    name: str


@operation("cable_type.add", "A cable type comes into the catalogue.", use=Use.ANY, shared=True)
def cable_type_add(work: Work, *, name: str, **details: Unpack[CableDetails]) -> CableType:
    return work.add(CableType(name=name, **details))


@operation("cable_type.alter", "What the catalogue says of a cable type was wrong.", use=Use.ANY, shared=True)
def cable_type_alter(work: Work, *, cable_type: CableType, **altered: Unpack[CableAltered]) -> CableType:
    if work.alter(cable_type, altered):
        _correct_users(work, f"cable type {cable_type.name}")
    return cable_type


@operation("factor.set", "A factor of the computation is set to another value.", use=Use.ANY, shared=True)
def factor_set(work: Work, *, name: str, value: float) -> Factor:
    factor = Factor.objects.filter(name=name).first()
    if factor is None:
        factor = work.add(Factor(name=name, value=value))
    else:
        work.alter(factor, {"value": value})
    _correct_users(work, f"factor {name}")
    return factor


@operation("factor.unset", "A factor of the computation goes back to its default.", use=Use.ANY, shared=True)
def factor_unset(work: Work, *, name: str) -> str:
    if not Factor.objects.filter(name=name).exists():
        raise refuse(f"Factor {name} has its default already.", code="not_found", path="/name")
    Factor.objects.filter(name=name).delete()
    _correct_users(work, f"factor {name}")
    return name


def _correct_users(work: Work, what: str) -> None:
    """A correction of each site that uses what was edited, so that its figures name what changed them.

    The sites are those that the database has just marked, in the bulk lane; their rows are locked in the
    order of their ids, as everyone does who writes several sites.
    """
    main = work.change_set
    marked = Mark.objects.filter(change_set=main).values("site_id")
    sites = Site.objects.filter(pk__in=marked).order_by("pk").only("pk", "time_zone")
    days: dict[str, dt.date] = {}
    rows = []
    for site in sites:
        if site.time_zone not in days:
            days[site.time_zone] = today_at(site.pk)
        rows.append(
            ChangeSet(
                site=site,
                state=ChangeSet.State.ACCEPTED,
                kind=ChangeSet.Kind.CORRECTION,
                channel=main.channel,
                user=main.user,
                accepted_by=main.accepted_by,
                actor=main.actor,
                reason=f"{what}: {main.reason}",
                job_reference=main.job_reference,
                happened_on=days[site.time_zone],
                operations=[{"op": "catalogue.follow", "change_set": main.pk, "what": what}],
            )
        )
    ChangeSet.objects.bulk_create(rows, batch_size=1000)
