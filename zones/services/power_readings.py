"""What a switch is read to deliver at one moment: a test of its own for each of its supply groups."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any

from sites.changes.bulk import accept_many
from sites.changes.errors import refuse, require
from sites.changes.making import Change
from sites.changes.operations import Accepted, Call
from sites.changes.steps import first_step_after
from sites.models import DeviceModel, Switch, SwitchFacts, SwitchPort
from sites.selectors import facts_before, standing
from zones.models import Test
from zones.rules.power_readings import groups_once, ports_can_deliver

from .power_tables import GroupReading, Headings, headings_of, read_table
from .tests import record_test


def record_power(
    change: Change, *, switch: Switch, groups: Sequence[GroupReading], circumstances: Mapping[str, Any]
) -> Accepted[Test]:
    """Record one reading of a switch, all its groups in one change set. ``circumstances``: what `record_test`
    takes besides, the same for all groups.

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


def groups_printed(switch: Switch, day: dt.date, text: str, headings: Headings | None) -> list[GroupReading]:
    """The groups of a table that a switch printed on a day. headings: None: those of its model."""
    if headings is None:
        headings = _headings_of_model(switch, day, text)
    return read_table(text, headings)


def _headings_of_model(switch: Switch, day: dt.date, text: str) -> Headings:
    facts = facts_before(SwitchFacts, first_step_after(day), switch=switch, site=switch.site_id)
    model: DeviceModel | None = next((one.model for one in facts.select_related("model")), None)
    if model is not None and model.watts_heading:
        return Headings(model.watts_heading, model.group_heading, model.port_heading)
    whose = "the model of this switch is not recorded"
    if model is not None:
        whose = f"those of model {model.name} are not in the catalogue (PATCH /catalogue/devices/{model.pk})"
    detail = (
        f"Say what the columns are called, {whose}: headings holds watts, and group, port or both. The first "
        f"line is “{headings_of(text)}”."
    )
    raise refuse(detail, code="required", path="/headings")
