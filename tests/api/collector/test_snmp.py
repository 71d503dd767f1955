"""What is read off a switch, from a real SNMP agent on loopback."""

from __future__ import annotations

import asyncio
import socket
from dataclasses import replace

import pytest

from api.collector import snmp
from api.collector.power_tables import Detection, Group, Port
from api.collector.snmp import Login, SwitchError, Told, read_switch
from tests.api.collector.agent import (
    AUTH_PASSWORD,
    GROUP_NOMINAL,
    GROUP_POWER,
    PORT_CLASS,
    PORT_STATUS,
    PRIV_PASSWORD,
    SWITCH,
    USER,
    agent,
    in_a_thread,
)


def login(port: int) -> Login:
    return Login("127.0.0.1", port, USER, AUTH_PASSWORD, PRIV_PASSWORD)


def told(of: Login, *groups: int) -> Told:
    found: Told = in_a_thread(asyncio.run, read_switch(of, groups, timeout_s=2.0, retries=1))
    return found


def refused(of: Login, *groups: int) -> str:
    with pytest.raises(SwitchError) as caught:
        in_a_thread(asyncio.run, read_switch(of, groups, timeout_s=0.3, retries=0))
    assert AUTH_PASSWORD not in str(caught.value)
    assert PRIV_PASSWORD not in str(caught.value)
    return str(caught.value)


def test_watts_by_group_and_classes_by_port() -> None:
    with agent() as port:
        found = told(login(port))
    assert found.groups == [Group(1, 48), Group(2, 31)]
    # Coded 3, 5 and 1 by the agent: RFC 3621 counts classes from 1. What delivers nothing has no class
    assert found.ports == [
        Port(1, 3, Detection.DELIVERING_POWER, 2),
        Port(1, 4, Detection.SEARCHING, None),
        Port(2, 1, Detection.DELIVERING_POWER, 4),
        Port(2, 2, Detection.DELIVERING_POWER, 0),
        Port(2, 3, Detection.FAULT, None),
    ]
    assert found.ports[0].words == "port 3: delivering power, class 2"
    assert found.ports[4].words == "port 3: fault"


def test_a_table_of_many_rows_is_read_whole() -> None:
    """512 ports in 8 groups: more than one answer holds."""
    objects = {f"{GROUP_POWER}.{group}": group for group in range(1, 9)}
    objects |= {f"{PORT_STATUS}.{group}.{port}": 3 for group in range(1, 9) for port in range(1, 65)}
    with agent(objects) as port:
        found = told(login(port))
    assert found.groups == [Group(number, number) for number in range(1, 9)]
    assert [(one.group, one.number) for one in found.ports] == [
        (group, port) for group in range(1, 9) for port in range(1, 65)
    ]


def test_a_table_without_an_end_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(snmp, "_MOST_ROWS", 40)
    with agent({f"{GROUP_POWER}.{group}": group for group in range(1, 42)}) as port:
        assert refused(login(port)) == "a table of it has more than 40 rows"
    with agent({f"{GROUP_POWER}.{group}": group for group in range(1, 41)}) as port:
        assert len(told(login(port)).groups) == 40


def test_codes_that_the_standard_does_not_have_are_said() -> None:
    objects = {
        f"{GROUP_POWER}.1": 5,
        f"{PORT_STATUS}.1.1": 7,
        f"{PORT_STATUS}.1.2": 3,
        f"{PORT_CLASS}.1.2": 6,
    }
    with agent(objects) as port:
        found = told(login(port))
    assert found.ports == [Port(1, 1, None, None), Port(1, 2, Detection.DELIVERING_POWER, None)]
    assert found.ports[0].words == "port 1: status not in RFC 3621"


def test_the_groups_that_the_file_names_have_to_be_there() -> None:
    with agent() as port:
        assert told(login(port), 2, 1).groups == [Group(1, 48), Group(2, 31)]
        assert refused(login(port), 1) == "it tells of group 1, 2, and the file says group 1"
        assert refused(login(port), 1, 2, 3) == "it tells of group 1, 2, and the file says group 1, 2, 3"


def test_milliwatts_are_not_taken_for_watts() -> None:
    with agent({**SWITCH, f"{GROUP_POWER}.2": 31_000}) as port:
        said = refused(login(port))
    assert said.startswith("group 2 tells 31000, and its supplies have 370 W: RFC 3621 has whole watts")


def test_a_group_may_draw_a_little_more_than_its_nominal_power() -> None:
    with agent({f"{GROUP_NOMINAL}.1": 370, f"{GROUP_POWER}.1": 380}) as port:
        assert told(login(port)).groups == [Group(1, 380)]


def test_a_switch_without_the_table_is_named_as_such() -> None:
    with agent({}) as port:
        assert "pethMainPseTable (RFC 3621) is empty, not there, or not in the view" in refused(login(port))


def test_a_row_of_another_shape_is_named() -> None:
    with agent({f"{GROUP_POWER}.1.1": 48}) as port:
        assert refused(login(port)).startswith("pethMainPseConsumptionPower has a row 1.1: RFC 3621 has 1")


def test_wrong_credentials_are_told_apart() -> None:
    with agent() as port:
        right = login(port)
        assert "it knows no SNMP v3 user nobody" in refused(replace(right, user="nobody"))
        assert f"auth_password of {USER}" in refused(replace(right, auth_password="another-password"))
        assert f"priv_password of {USER}" in refused(replace(right, priv_password="another-password"))


def test_a_switch_that_does_not_answer_is_named_with_its_port() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as deaf:
        deaf.bind(("127.0.0.1", 0))
        port = deaf.getsockname()[1]
        assert refused(login(port)).startswith(f"no answer from 127.0.0.1, UDP port {port}, within 0.3 s")


def test_passwords_are_not_in_the_text_of_a_login() -> None:
    text = repr(login(161))
    assert USER in text
    assert AUTH_PASSWORD not in text
    assert PRIV_PASSWORD not in text
