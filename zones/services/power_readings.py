"""What a switch is read to deliver at one moment: a test of its own for each of its supply groups."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from sites.changes.bulk import accept_many
from sites.changes.errors import require
from sites.changes.making import Change
from sites.changes.operations import Accepted, Call
from sites.changes.steps import first_step_after
from sites.models import Switch, SwitchPort
from sites.selectors import standing
from zones.models import Test
from zones.rules.power_readings import groups_once, ports_can_deliver

from .tests import record_test


class GroupReading(NamedTuple):
    """``power_group``: None: the switch as a whole."""

    power_group: int | None
    value: float


def record_power(
    change: Change, *, switch: Switch, groups: Sequence[GroupReading], circumstances: Mapping[str, Any]
) -> Accepted[Test]:
    """Record one reading of a switch, all its groups in one change set. A problem of one group says which by
    its ``operation``. ``circumstances``: what `record_test` takes besides, the same for all groups.

    That the ports can deliver so much is asked of what programs send, who send it unseen. A person who reads
    more off a switch records a test, and the record of the ports is what may be wrong."""
    before = first_step_after(circumstances["taken_on"])
    ports = standing(SwitchPort, before, switch=switch, site=switch.site_id).count()
    require(
        groups_once([one.power_group for one in groups]),
        ports_can_deliver([one.value for one in groups], ports),
    )
    calls = [
        Call(
            record_test,
            {**circumstances, "kind": Test.Kind.POE_POWER, "switch": switch, **one._asdict()},
        )
        for one in groups
    ]
    return accept_many(change, calls)
