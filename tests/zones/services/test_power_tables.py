"""Tables of power as invented switches print them."""

from __future__ import annotations

import pytest

from sites.changes.errors import ChangeRefused
from zones.services.power_tables import GroupReading, Headings, read_table

BY_SPACES = """\
switch> print power

Grp   State        Power (W)   Supplies
---   ----------   ---------   --------
1     delivering   48          2
2     delivering   31.5        2
"""
BY_BARS = "| Grp | Power (W) |\n|-----|-----------|\n|  1  |    48 W   |\n|  2  |   31.5W   |"
BY_TABS = "Grp\tNote\tPower (W)\n1\tmain hall, north\t48\n2\t\t31.5"
BY_TABS_WITH_BLANKS = "Grp\tPower (W)\tNote\n1\t48\t\n2\t31.5\t"
BY_COMMAS = "Grp,Power (W)\n1,48\n2,31.5"
BY_SEMICOLONS = "Grp;Power (W);Since\n1;48;3,5 days\n2;31.5;"
BY_SPACE = "grp state power\n1 on 48\n2 on 31.5"
GROUPS = Headings("Power (W)", group="Grp")
TWO = [GroupReading(1, 48.0), GroupReading(2, 31.5)]

PORTS = """\
Unit  Port  Class  Watts
1     1     2      6.1
1     2     4      12.4
2     1     0      3.3

Unit  Port  Class  Watts
2     2     -      0
"""
BY_PORT = Headings("Watts", group="Unit", port="Port")


@pytest.mark.parametrize("text", [BY_SPACES, BY_BARS, BY_TABS, BY_TABS_WITH_BLANKS, BY_COMMAS, BY_SEMICOLONS])
def test_columns_may_be_separated_in_several_ways(text: str) -> None:
    assert read_table(text, GROUPS) == TWO


def test_headings_are_found_without_regard_to_capital_letters_and_spaces() -> None:
    assert read_table(BY_SPACES, Headings("power  (w)", group="GRP")) == TWO
    assert read_table(BY_SPACE, Headings("Power", group="Grp")) == TWO


def test_ports_are_summed_by_group() -> None:
    """6.1 + 12.4 = 18.5 W and 3.3 + 0 = 3.3 W, below headings that a long print repeats."""
    assert read_table(PORTS, BY_PORT) == [GroupReading(1, 18.5), GroupReading(2, 3.3)]


def test_tenths_of_a_watt_add_up() -> None:
    """0.1 + 0.2 + 0.3 is 0.6, which binary fractions miss."""
    assert read_table("p w\n1 0.1\n2 0.2\n3 0.3", Headings("w", port="p")) == [GroupReading(None, 0.6)]


def test_ports_without_groups_are_the_switch_as_a_whole() -> None:
    text = "Port,Watts\n1/0/1,6.1\n1/0/2,12.4"
    assert read_table(text, Headings("Watts", port="Port")) == [GroupReading(None, 18.5)]
    assert read_table("Total watts\n79", Headings("Total watts")) == [GroupReading(None, 79.0)]


EXPECTED_WATTS = "Line 6, column Power (W): expected watts from 0 to 10000, such as 48 or 48.2;"
NAME_PORTS = "Where each line is a port, name the heading of the ports."
FIRST_LINE = "The first line is “switch> print power”."
NO_ROW = "leave it out if it is no row."


def refused(text: str, headings: Headings) -> list[str]:
    with pytest.raises(ChangeRefused) as caught:
        read_table(text, headings)
    assert {problem.path for problem in caught.value.problems} == {"/text"}
    return [problem.detail for problem in caught.value.problems]


@pytest.mark.parametrize(
    ("old", "new", "stated"),
    [
        ("31.5  ", "31,5  ", f"{EXPECTED_WATTS} there is “31,5”."),
        ("31.5  ", "31500 mW  ", f"{EXPECTED_WATTS} there is “31500 mW”."),
        ("31.5  ", "10000.1  ", f"{EXPECTED_WATTS} there is “10000.1”."),
        ("31.5  ", "-1  ", f"{EXPECTED_WATTS} there is “-1”."),
        ("2     d", "B     d", "Line 6, column Grp: expected a group from 0 to 999; there is “B”."),
        ("2     d", "1     d", f"Line 6: group 1 stands on line 5 too. {NAME_PORTS}"),
        ("2\n2 ", "2\nTotal   79.5\n2 ", f"Line 6 has 2 columns, the headings on line 3 have 4: {NO_ROW}"),
        ("Supplies", "Grp", "Line 3 has the heading “Grp” twice: which column is meant?"),
        ("Power (W)", "Power    ", f"No line has the headings “Grp” and “Power (W)”. {FIRST_LINE}"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said_with_its_line_and_column(old: str, new: str, stated: str) -> None:
    assert old in BY_SPACES
    assert refused(BY_SPACES.replace(old, new), GROUPS) == [stated]


def test_every_line_that_is_wrong_is_named_and_many_are_counted() -> None:
    rows = "\n".join(f"{group},x" for group in range(1, 31))
    found = refused(f"Grp,Power (W)\n{rows}", GROUPS)
    assert len(found) == 21
    assert found[0].startswith("Line 2, column Power (W)")
    assert found[19].startswith("Line 21, column Power (W)")
    assert found[20] == "10 more lines are wrong."


def test_a_blank_cell_is_not_zero() -> None:
    assert refused("Grp,Power (W)\n1,", GROUPS) == [
        "Line 2, column Power (W): expected watts from 0 to 10000, such as 48 or 48.2; it is blank."
    ]
    ports = Headings("Watts", port="Port")
    assert refused("Port,Watts\n,3", ports) == ["Line 2, column Port: expected a port; it is blank."]


def test_a_port_stands_once() -> None:
    assert refused(f"{PORTS}1     2     4      12.4", BY_PORT) == [
        "Line 8: port 2 of group 1 stands on line 3 too."
    ]


def test_headings_alone_are_no_table() -> None:
    assert refused("Grp,Power (W)\n-----\n", GROUPS) == ["There is no line below the headings on line 1."]


def test_rows_without_group_or_port_are_told_apart_by_nothing() -> None:
    (said,) = refused("Watts\n48\n31", Headings("Watts"))
    assert said.startswith("Line 3: watts stand on line 2 too. Where each line is a port")
