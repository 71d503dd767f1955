"""Switches and their ports."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TypedDict, Unpack

from sites.changes.errors import refuse
from sites.changes.operations import Use, operation
from sites.changes.work import Work, but, describe, only
from sites.models import (
    Closet,
    DeviceModel,
    EndpointFacts,
    Placed,
    Switch,
    SwitchFacts,
    SwitchPort,
    SwitchPortFacts,
)

from .fitting import require_kind
from .uses import facts_from, require_unused, standing_at, used_by


class SwitchState(TypedDict, total=False):
    model: DeviceModel | None
    power_supply_count: int | None
    usage_threshold: float | None


class SwitchDetails(SwitchState, total=False):
    owner: Switch.Owner
    serial: str
    note: str
    port_count: int


class SwitchAltered(SwitchDetails, total=False):
    name: str
    closet: Closet


_SWITCH = tuple(SwitchState.__annotations__)


@operation("switch.add", "A switch is mounted, with its ports (as many as its model has, unless said).")
def switch_add(work: Work, *, closet: Closet, name: str, **details: Unpack[SwitchDetails]) -> Switch:
    model = details.get("model")
    require_kind(model, DeviceModel.Kind.SWITCH)
    switch = work.add(Switch(closet=closet, name=name, **but(details, (*_SWITCH, "port_count"))))
    work.begin(SwitchFacts(switch=switch, **only(details, _SWITCH)))
    _set_port_count(work, switch, details.get("port_count", _ports_of(model) or 0))
    return switch


@operation(
    "switch.alter",
    "A switch is replaced by another model (and its ports with it), its power supplies change, or it is "
    "described otherwise.",
    use=Use.ANY,
)
def switch_alter(work: Work, *, switch: Switch, **altered: Unpack[SwitchAltered]) -> Switch:
    model = altered.get("model")
    require_kind(model, DeviceModel.Kind.SWITCH)
    work.alter(switch, but(altered, (*_SWITCH, "port_count")))
    swapped = work.supersede(SwitchFacts, [switch.pk], only(altered, _SWITCH))
    count = altered.get("port_count", _ports_of(model) if swapped else None)
    if count is not None:
        _set_port_count(work, switch, count)
    return switch


@operation("switch.correct", "What is recorded of a switch was wrong.", use=Use.CORRECTION)
def switch_correct(
    work: Work, *, switch: Switch, step: int | None = None, **state: Unpack[SwitchState]
) -> Switch:
    require_kind(state.get("model"), DeviceModel.Kind.SWITCH)
    work.correct(SwitchFacts, [switch.pk], state, step=step)
    return switch


@operation("switch.end", "A switch is taken down, and its ports with it.")
def switch_end(work: Work, *, switch: Switch) -> Switch:
    work.current(SwitchFacts, switch.pk)
    ports = list(standing_at(work, SwitchPort, switch=switch).order_by("number"))
    require_unused(work, switch, *ports)
    work.end(switch, *ports)
    return switch


def _ports_of(model: DeviceModel | None) -> int | None:
    return model.port_count if model is not None else None


def _set_port_count(work: Work, switch: Switch, count: int) -> None:
    """Add the ports that are missing up to ``count``, and end those beyond it, unless something hangs on
    them."""
    if not 0 <= count <= 512:
        raise refuse("A switch has 0 to 512 ports.", code="invalid", path="/port_count")
    standing = {port.number: port for port in standing_at(work, SwitchPort, switch=switch)}
    surplus = [port for number, port in sorted(standing.items()) if number > count]
    require_unused(work, *surplus)
    if surplus:
        work.end(surplus[0], *surplus[1:])
    missing = [number for number in range(1, count + 1) if number not in standing]
    of_work = {"site_id": work.site_id, "change_set_id": work.change_set.pk}
    ports = SwitchPort.objects.bulk_create(
        SwitchPort(switch=switch, number=number, begin_step=work.step, **of_work) for number in missing
    )
    SwitchPortFacts.objects.bulk_create(
        SwitchPortFacts(port=port, step=work.step, **of_work) for port in ports
    )


class PortState(TypedDict, total=False):
    priority: SwitchPortFacts.Priority
    other_load: str
    other_load_class: int | None
    other_load_power_w: float | None


@operation("port.alter", "A port's priority, or what else hangs on it, changes.")
def port_alter(work: Work, *, port: SwitchPort, **state: Unpack[PortState]) -> SwitchPort:
    work.supersede(SwitchPortFacts, [port.pk], state)
    return port


@operation("port.correct", "What is recorded of a port was wrong.", use=Use.CORRECTION)
def port_correct(
    work: Work, *, port: SwitchPort, step: int | None = None, **state: Unpack[PortState]
) -> SwitchPort:
    work.correct(SwitchPortFacts, [port.pk], state, step=step)
    return port


@used_by(SwitchPort)
def _on_port(work: Work, port: Placed) -> Iterable[str]:
    for row in facts_from(work, EndpointFacts, port_id=port.pk).select_related("endpoint"):
        if row.endpoint.end_step is None or row.endpoint.end_step > work.step:
            yield describe(row.endpoint)
    latest = work.latest(SwitchPortFacts, port.pk)
    if latest is not None and latest.other_load:
        yield latest.other_load
