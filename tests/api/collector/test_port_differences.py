"""Which ports differ from the record. Codes and classes are those of RFC 3621, as the switch tells them."""

from __future__ import annotations

import pytest

from api.collector.port_differences import Device, NumberingError, Recorded, port_differences
from api.collector.power_tables import Detection, Port

GW = Device("GW 1", 3)


def delivering(number: int, poe_class: int | None, group: int = 1) -> Port:
    return Port(group, number, Detection.DELIVERING_POWER, poe_class)


def only(told: Port, *devices: Device) -> list[str]:
    return port_differences([told], {told.number: devices})


def test_what_agrees_is_not_said() -> None:
    told = [delivering(1, 3), Port(1, 2, Detection.SEARCHING, None), Port(1, 3, Detection.DISABLED, None)]
    assert port_differences(told, {1: [GW], 2: [], 3: []}) == []


def test_power_where_the_record_has_no_device() -> None:
    assert only(delivering(7, 2)) == ["port 7: delivering power, class 2; the record has no device on it"]
    told = [delivering(7, 2), Port(1, 8, Detection.SEARCHING, None), delivering(1, 3)]
    assert port_differences(told, {1: [GW]}) == [
        "port 7: delivering power, class 2; the record has no such port"
    ]


@pytest.mark.parametrize(
    ("detection", "words"),
    [
        (Detection.DISABLED, "disabled"),
        (Detection.SEARCHING, "searching"),
        (Detection.FAULT, "fault"),
        (Detection.OTHER_FAULT, "other fault"),
    ],
)
def test_a_device_without_power(detection: Detection, words: str) -> None:
    assert only(Port(1, 7, detection, None), GW) == [f"port 7: {words}; the record has GW 1 on it"]


def test_a_status_that_rfc_3621_does_not_have_says_nothing_of_power() -> None:
    assert only(Port(1, 7, None, None), GW) == []


def test_another_class_than_the_record_has() -> None:
    assert only(delivering(7, 0), GW) == ["port 7: delivering power, class 0; the record has GW 1, class 3"]


@pytest.mark.parametrize(
    ("told", "recorded"),
    [
        (3, (None,)),  # not recorded
        (None, (3,)),  # the switch does not tell it
        (4, (6,)),  # RFC 3621 has no class over 4
        (4, (8,)),
        (3, (3, 4)),  # one of two devices
    ],
)
def test_classes_that_cannot_be_compared_are_no_difference(
    told: int | None, recorded: tuple[int | None, ...]
) -> None:
    devices = [Device(f"GW {number}", poe_class) for number, poe_class in enumerate(recorded)]
    assert only(delivering(7, told), *devices) == []


def test_a_device_of_class_6_that_is_told_as_class_3_differs() -> None:
    assert only(delivering(7, 3), Device("NS 4", 6)) == [
        "port 7: delivering power, class 3; the record has NS 4, class 6"
    ]


def test_they_stand_by_number() -> None:
    found = port_differences([delivering(12, 2), delivering(3, 2)], {3: [], 12: []})
    assert [one.partition(":")[0] for one in found] == ["port 3", "port 12"]


@pytest.mark.parametrize(
    ("told", "recorded", "why"),
    [
        (
            [delivering(1, 3), delivering(1, 3, group=2)],
            {1: [GW]},
            "the same number stands in several groups",
        ),
        ([delivering(10_101, 3)], {1: [GW], 2: []}, "the record numbers them otherwise"),
    ],
)
def test_ports_that_are_numbered_otherwise_are_not_compared(
    told: list[Port], recorded: Recorded, why: str
) -> None:
    with pytest.raises(NumberingError, match=why):
        port_differences(told, recorded)


def test_a_record_without_ports_has_none_of_those_that_deliver() -> None:
    assert port_differences([delivering(1, 3), Port(1, 2, Detection.SEARCHING, None)], {}) == [
        "port 1: delivering power, class 3; the record has no such port"
    ]
    assert port_differences([], {1: [GW]}) == []
