"""The power tables of RFC 3621: which columns are read, and how their values are coded.

Object identifiers, codes and units are from memory of RFC 3621; ``tests/api/collector/agent.py`` serves
them as written there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum, IntEnum
from typing import Final

Index = tuple[int, ...]
Column = Mapping[Index, int]
"""The values of one column, by the index of their row."""

_POWER_ETHERNET: Final = (1, 3, 6, 1, 2, 1, 105)
_PORT_ENTRY: Final = (*_POWER_ETHERNET, 1, 1, 1)
_GROUP_ENTRY: Final = (*_POWER_ETHERNET, 1, 3, 1, 1)


class Columns(Enum):
    """Columns with their object identifiers: of ports by (group, port), of supply groups by (group)."""

    DETECTION = (*_PORT_ENTRY, 6)  # pethPsePortDetectionStatus
    CLASSIFICATION = (*_PORT_ENTRY, 10)  # pethPsePortPowerClassifications
    NOMINAL = (*_GROUP_ENTRY, 2)  # pethMainPsePower [W]
    CONSUMPTION = (*_GROUP_ENTRY, 4)  # pethMainPseConsumptionPower [W]


class Detection(IntEnum):
    """pethPsePortDetectionStatus."""

    DISABLED = 1
    SEARCHING = 2
    DELIVERING_POWER = 3
    FAULT = 4
    TEST = 5
    OTHER_FAULT = 6

    @property
    def words(self) -> str:
        return self.name.lower().replace("_", " ")


_CLASSES: Final = range(5)
"""Classes 0 to 4, coded 1 to 5; the MIB is older than classes 5 to 8."""
_PLAUSIBLE: Final = 2.0
"""A group that delivers this many times what its supplies have does not tell watts."""


class TablesError(Exception):
    """What a switch tells is not what RFC 3621 says."""


@dataclass(frozen=True)
class Group:
    """A power-supply group and what it delivers."""

    number: int
    power_w: int


@dataclass(frozen=True)
class Port:
    """detection: None: a value that RFC 3621 does not have. poe_class: None: the same, or the port delivers
    no power, so that its class means nothing."""

    group: int
    number: int
    detection: Detection | None
    poe_class: int | None

    @property
    def words(self) -> str:
        """``port 3: delivering power, class 2``."""
        said = "status not in RFC 3621" if self.detection is None else self.detection.words
        return f"port {self.number}: {said}{'' if self.poe_class is None else f', class {self.poe_class}'}"


def groups_of(consumption: Column, nominal: Column, expected: Sequence[int] = ()) -> list[Group]:
    """The supply groups, by number. expected: the groups that there should be; none: all there are.

    A switch is judged by the sum of its groups, so one that is missing is an error and not a smaller load."""
    if not consumption:
        raise TablesError(
            "it tells no power: pethMainPseTable (RFC 3621) is empty, not there, or not in the view of this "
            "user"
        )
    found = {}
    for index, power_w in sorted(consumption.items()):
        (number,) = _parts(index, 1, "pethMainPseConsumptionPower")
        has_w = nominal.get(index, 0)
        if has_w and power_w > _PLAUSIBLE * has_w:
            raise TablesError(
                f"group {number} tells {power_w}, and its supplies have {has_w} W: RFC 3621 has whole watts "
                "there, and this is something else"
            )
        found[number] = Group(number, power_w)
    if expected and set(expected) != set(found):
        there, wanted = (_numbers(ones) for ones in (found, expected))
        raise TablesError(f"it tells of group {there}, and the file says group {wanted}")
    return list(found.values())


def ports_of(detection: Column, classification: Column) -> list[Port]:
    """The ports, by group and number."""
    found = []
    for index, coded in sorted(detection.items()):
        group, number = _parts(index, 2, "pethPsePortDetectionStatus")
        status = Detection(coded) if coded in set(Detection) else None
        poe_class = classification.get(index, 0) - 1 if status is Detection.DELIVERING_POWER else -1
        found.append(Port(group, number, status, poe_class if poe_class in _CLASSES else None))
    return found


def _parts(index: Index, count: int, column: str) -> Index:
    if len(index) != count:
        given = ".".join(map(str, index))
        raise TablesError(f"{column} has a row {given}: RFC 3621 has {count} number(s) there")
    return index


def _numbers(numbers: Mapping[int, Group] | Sequence[int]) -> str:
    return ", ".join(map(str, sorted(numbers)))
