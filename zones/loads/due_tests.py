"""Due tests as of another day than that of the last recheck, which stores those of today."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from sites.changes.steps import first_step_after
from sites.models import Site
from zones.electrical.plant import Members
from zones.electrical.proofs import Since, due_tests
from zones.models import DueTest
from zones.plant.selectors import read_plant


def due_tests_on(sites: Sequence[Site], as_of: dt.date) -> list[DueTest]:
    """What a recheck of these sites would store as of the end of a day, from the record as known now. Each
    row has the id of its run."""
    if not sites:
        return []
    by_id = {site.pk: site for site in sites}
    plant = read_plant(list(by_id))
    found = due_tests(plant, Members.of_sites(plant, first_step_after(as_of) - 1))
    rows = []
    for place, (member, row) in enumerate(zip(found.member.tolist(), found.row.tolist(), strict=True)):
        one = found.one(place)
        run_id = int(plant.run_id[plant.runs.run_index[row]])
        rows.append(
            DueTest(
                pk=run_id,
                run_id=run_id,
                site=by_id[int(plant.site_id[member])],
                contract_id=one.contract,
                due_on=dt.date.fromordinal(one.due_on),
                proven_on=dt.date.fromordinal(one.proven_on) if one.proven_on else None,
                surveyed=one.since is Since.SURVEY,
            )
        )
    return rows
