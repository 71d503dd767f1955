"""Going back to the previous release removes what only this one can read."""

from __future__ import annotations

from importlib import import_module

from django.db import connection

from tests.zones.findings.conftest import Quay
from zones.models import Finding, SiteCheck

BACK: str = import_module("zones.migrations.0007_findings_of_new_limits").BACK


def go_back() -> None:
    with connection.cursor() as cursor:
        cursor.execute(BACK)


def test_findings_of_limits_that_the_release_before_has_not_go_and_others_stay(quay: Quay) -> None:
    quay.add(12)  # 1.35 + 12 × 0.04 = 1.83 A of 1.60 A
    quay.check()
    finding = quay.finding()
    others = ("audio_with_dc", "polarity_reversed", "reading_disagrees")
    new = (
        "wiring_class", "no_feed", "supplies_paralleled", "supply_over_voltage", "audio_reversed", "clip_out",
        "dc_on_audio", "stranded_on_idc", "voltage_disagrees",
    )  # fmt: skip
    for code in (*others, *new):
        finding.pk, finding.code = None, code
        finding.save(force_insert=True)
    go_back()
    left = Finding.objects.filter(site_id=quay.site_id).values_list("code", flat=True)
    assert sorted(left) == [*others, "supply_current"]


def test_what_a_later_solver_computed_is_computed_again(quay: Quay) -> None:
    """The release before has solver 2, and computes again what an earlier one made."""
    quay.check()
    for solver, left in ((1, 1), (2, 2), (3, 0), (9, 0)):
        SiteCheck.objects.filter(site_id=quay.site_id).update(solver_version=solver)
        go_back()
        assert SiteCheck.objects.get(site_id=quay.site_id).solver_version == left
