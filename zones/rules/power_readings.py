"""Rules of what a switch is read to deliver: the supply groups of one moment together."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from sites.changes.errors import Problem
from sites.wording import counted
from zones.electrical.network_power import PORT_TYPE_POWER_W

MOST_GROUPS: Final = 100
"""Groups of one reading; a chassis or a stack has a dozen."""
_MOST_OF_A_PORT_W: Final = float(PORT_TYPE_POWER_W[4])


def groups_once(groups: Sequence[int | None]) -> Iterator[Problem]:
    """Each supply group stands once, or the switch as a whole (None) stands alone."""
    seen: set[int | None] = set()
    for place, group in enumerate(groups):
        path = f"/groups/{place}/power_group"
        if group in seen:
            said = "The switch as a whole" if group is None else f"Group {group}"
            yield Problem(f"{said} stands twice in one reading: send each group once.", "invalid", path)
        seen.add(group)
    if None in seen and len(seen) > 1:
        path = f"/groups/{list(groups).index(None)}/power_group"
        detail = "null is the switch as a whole, whose watts hold those of its groups: send one or the other."
        yield Problem(detail, "invalid", path)


def ports_can_deliver(values_w: Sequence[float], port_count: int) -> Iterator[Problem]:
    """All groups together deliver no more than the ports can. Who sends milliwatts as watts is told
    here. ``port_count``: ports that stand on the day; 0: not recorded."""
    most_w = port_count * _MOST_OF_A_PORT_W
    if port_count and sum(values_w) > most_w:
        detail = (
            f"{counted(port_count, 'port')} can deliver {most_w:g} W at most, {_MOST_OF_A_PORT_W:g} W each "
            f"(IEEE 802.3); these groups add up to {sum(values_w):g}. Send watts, not milliwatts."
        )
        yield Problem(detail, "invalid", "/groups")
