"""A site whose computation raises, while a sweeper goes on: it backs off, is a finding with the reason, and
holds up nothing else."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest
from django.db.models import QuerySet
from django.utils import timezone

from sites.models.changes import Mark
from tests.resilience.conftest import Process, Processes
from tests.resilience.left import left_of, overloaded
from tests.resilience.spoiling import REASON
from zones.findings.timeline import CANNOT_COMPUTE
from zones.models import Finding, SiteCheck
from zones.recheck.batch import FIRST_PAUSE

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]

SITES_A_LANE = 4
ATTEMPTS = 4


def test_a_site_whose_computation_raises(uncomputable: Path, processes: Processes) -> None:
    lanes = {lane: [overloaded() for _ in range(SITES_A_LANE)] for lane in Mark.Lane.values[:2]}
    for lane, quays in lanes.items():
        Mark.objects.filter(site_id__in=[quay.site_id for quay in quays]).update(lane=lane)
    bad = [quays[1] for quays in lanes.values()]
    good = [quay for quays in lanes.values() for quay in quays if quay not in bad]
    uncomputable.write_text(" ".join(str(quay.site_id) for quay in bad), encoding="ascii")
    looping = ("tests.resilience.sweeping", "--loop", "--interval", "0.01")
    sweeper = processes.start(*looping, ZONEBOOK_TESTED_SPOILED=str(uncomputable))

    # the others are computed
    _until_done(sweeper, [quay.site_id for quay in good])
    assert all(left_of(quay.site_id) == left_of(good[0].site_id) for quay in good)
    assert left_of(good[0].site_id)["events"]["case.opened"] == 1

    # it is a finding, with the reason
    ids = [quay.site_id for quay in bad]
    findings = Finding.objects.filter(site_id__in=ids)
    sweeper.until(lambda: findings.count() == len(bad))
    failed = [left_of(site_id) for site_id in ids]
    for left in failed:
        assert left["figures"] == []
        assert set(left["marks"]) == {Mark.Lane.SET_ASIDE}
        assert [(code, reason) for code, *_, reason, _ in left["findings"]] == [(CANNOT_COMPUTE, [REASON])]
        assert left["events"]["case.opened"] == 1

    # it backs off, is notified no more, and holds up no change of another
    for failures in range(2, ATTEMPTS + 1):
        began = timezone.now()
        SiteCheck.objects.filter(pk__in=ids).update(next_attempt_at=began)
        good[0].add(1)
        _until_done(sweeper, [good[0].site_id])
        pause = 2 ** (failures - 1) * FIRST_PAUSE
        for noted in _failed(sweeper, ids, failures, began):
            assert noted.next_attempt_at is not None
            assert began + pause < noted.next_attempt_at < timezone.now() + pause
    for site_id, before in zip(ids, failed, strict=True):
        checks = [(ATTEMPTS, *before["checks"][0][1:])]
        assert left_of(site_id) == before | {"checks": checks}

    # it is repaired: where the record is, at once; where Zonebook is, at the next attempt
    uncomputable.write_text("", encoding="ascii")
    bad[0].add(1)
    _until_done(sweeper, ids[:1])
    assert left_of(ids[1])["marks"] == failed[1]["marks"]
    SiteCheck.objects.filter(pk=ids[1]).update(next_attempt_at=timezone.now())
    _until_done(sweeper, ids[1:])
    for site_id in ids:
        left = left_of(site_id)
        assert [(code, state) for code, _, _, state, *_ in left["findings"]] == [
            (CANNOT_COMPUTE, "cleared"),
            ("supply_current", "open"),
        ]
        assert left["events"]["case.opened"] == 2
        assert left["events"]["case.cleared"] == 1
        assert left["checks"][0][:2] == (0, "")


def _until_done(sweeper: Process, site_ids: list[int]) -> None:
    sweeper.until(lambda: not Mark.objects.filter(site_id__in=site_ids).exists())


def _failed(sweeper: Process, site_ids: list[int], failures: int, began: dt.datetime) -> QuerySet[SiteCheck]:
    """How it went, once these have failed so often, and are to be tried again."""
    noted = SiteCheck.objects.filter(pk__in=site_ids, failures=failures, next_attempt_at__gt=began)
    sweeper.until(lambda: noted.count() == len(site_ids))
    return noted
