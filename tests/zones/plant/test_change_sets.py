"""The change sets that attributions name."""

from __future__ import annotations

import pytest

from sites.changes.steps import step_of
from sites.models import (
    ChangeSet,
)
from tests.zones.plant.plant_rows import LATER
from tests.zones.recording import SiteRecord
from zones.plant.change_sets import look_up

pytestmark = pytest.mark.django_db


def test_change_sets_are_found_by_step_and_by_id() -> None:
    record, other = SiteRecord(), SiteRecord()
    with record.change(
        LATER, kind=ChangeSet.Kind.CORRECTION, reason="counted", job_reference="J-7"
    ) as corrected:
        record.zone()
    with other.change(LATER) as elsewhere:
        other.zone()
    step = step_of(LATER, 1)  # of either site the first of that day

    found = dict(look_up([(record.site_id, step), (other.site_id, step), (record.site_id, 5)]).by_step)

    info = found.pop((record.site_id, step))
    assert found.keys() == {(other.site_id, step)}
    assert info == look_up([], [corrected.pk, -1]).by_id[corrected.pk]
    assert (info.kind, info.reason, info.job_reference, info.actor, info.happened_on) == (
        "correction",
        "counted",
        "J-7",
        "Tom Reed",
        LATER,
    )
    assert look_up([], [elsewhere.pk]).by_id[elsewhere.pk].step == step
