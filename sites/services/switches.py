"""Switches and their ports."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, Any

from sites.changes.operations import HeldOn, Use, operation
from sites.changes.work import Work, but, describe, only
from sites.fields import facts_of
from sites.fields import port_count as port_count_field
from sites.models import (
    Closet,
    EndpointFacts,
    Placed,
    Switch,
    SwitchFacts,
    SwitchPort,
    SwitchPortFacts,
)
from sites.rules.equipment import require_model

from .uses import require_unused, standing_at, used_by, users_from
from .usual import Usual

_SWITCH = facts_of(SwitchFacts)
_PortCount = Annotated[int | None, port_count_field()]


@operation(
    "switch.add",
    "A switch is mounted, with its ports (as many as its model has, unless said).",
    of=(Switch, SwitchFacts),
    takes=(*facts_of(Switch, "closet", "name"), *_SWITCH),
)
def switch_add(
    work: Work, /, *, closet: Closet, name: str, port_count: _PortCount = None, **given: Any
) -> Switch:
    model = given.get("model")
    require_model("switch", model)
    switch = work.add(Switch(closet=closet, name=name, **but(given, _SWITCH)))
    work.add(SwitchFacts(switch=switch, **only(given, _SWITCH)))
    if port_count is None and model is not None:
        port_count = model.port_count
    _set_port_count(work, switch, port_count or 0)
    return switch


@operation(
    "switch.alter",
    "A switch is replaced by another model (and its ports with it), its power supplies change, or it is "
    "described otherwise.",
    of=(Switch, SwitchFacts),
    takes=(*facts_of(Switch), *_SWITCH),
    use=Use.ANY,
)
def switch_alter(work: Work, /, *, switch: Switch, port_count: _PortCount = None, **given: Any) -> Switch:
    model = given.get("model")
    require_model("switch", model)
    work.alter(switch, but(given, _SWITCH))
    swapped = work.supersede(SwitchFacts, [switch.pk], only(given, _SWITCH))
    if port_count is None and swapped and model is not None:
        port_count = model.port_count
    if port_count is not None:
        _set_port_count(work, switch, port_count)
    return switch


switch_correct = Usual(Switch, SwitchFacts).corrects("What is recorded of a switch was wrong.")


@operation("switch.end", "A switch is taken down, and its ports with it.")
def switch_end(work: Work, /, *, switch: Switch) -> Switch:
    work.current(SwitchFacts, switch.pk)
    ports = list(standing_at(work, SwitchPort, switch=switch).order_by("number"))
    require_unused(work, switch, *ports)
    work.end(switch, *ports)
    return switch


def _set_port_count(work: Work, switch: Switch, count: int) -> None:
    """Add the ports that are missing up to ``count``, and end those beyond it, unless something is connected
    to them."""
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


_PORT = facts_of(SwitchPortFacts)


@operation(
    "port.alter",
    "A port's priority, or what else is connected to it, changes.",
    of=SwitchPortFacts,
    takes=_PORT,
)
def port_alter(work: Work, /, *, port: SwitchPort, **given: Any) -> SwitchPort:
    work.supersede(SwitchPortFacts, [port.pk], given)
    return port


@operation(
    "port.correct",
    "What is recorded of a port was wrong.",
    of=SwitchPortFacts,
    takes=_PORT,
    use=Use.CORRECTION,
)
def port_correct(work: Work, /, *, port: SwitchPort, held_on: HeldOn = None, **given: Any) -> SwitchPort:
    work.correct(SwitchPortFacts, [port.pk], given, held_on=held_on)
    return port


@used_by(SwitchPort)
def _on_port(work: Work, port: Placed) -> Iterable[str]:
    for row in users_from(work, EndpointFacts, "endpoint", port_id=port.pk):
        yield describe(row.endpoint)
    latest = work.latest(SwitchPortFacts, port.pk)
    if latest is not None and latest.other_load:
        yield latest.other_load
