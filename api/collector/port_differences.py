"""Where the ports of a switch differ from the record: power without a device, a device without power, another
class.

Nothing is changed by it: whether the record or the switch is wrong is for a person to say.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from .power_tables import Detection, Port

_HIGHEST_TOLD: Final = 4
"""The MIB is older than classes 5 to 8: a device of these may be told as class 4."""


@dataclass(frozen=True)
class Device:
    """A device on a port by the record. poe_class: None: not recorded."""

    name: str
    poe_class: int | None


Recorded = Mapping[int, Sequence[Device]]
"""By number of each port of a switch, the devices that the record has on it."""


class NumberingError(Exception):
    """The ports of the switch cannot be found in the record; the text says why."""


def port_differences(told: Sequence[Port], recorded: Recorded) -> list[str]:
    """A sentence for each difference, by number of the port. NumberingError where the switch numbers its
    ports otherwise than the record, which has one number a port and no groups."""
    by_number = {one.number: one for one in told}
    if len(by_number) < len(told):
        raise NumberingError("the same number stands in several groups")
    if by_number and recorded and by_number.keys().isdisjoint(recorded):
        raise NumberingError("the record numbers them otherwise")
    return [
        said for number, port in sorted(by_number.items()) for said in _of_port(port, recorded.get(number))
    ]


def _of_port(port: Port, devices: Sequence[Device] | None) -> Iterator[str]:
    """devices: None: the record has no such port."""
    is_powered = port.detection is Detection.DELIVERING_POWER
    if not devices:
        if is_powered:
            missing = "the record has no such port" if devices is None else "the record has no device on it"
            yield f"{port.words}; {missing}"
        return
    names = ", ".join(one.name for one in devices)
    if port.detection is not None and not is_powered:
        yield f"{port.words}; the record has {names} on it"
    classes = {one.poe_class for one in devices}
    if port.poe_class is None or len(classes) > 1:
        return
    (poe_class,) = classes
    if poe_class is not None and min(poe_class, _HIGHEST_TOLD) != port.poe_class:
        yield f"{port.words}; the record has {names}, class {poe_class}"
