"""What is asked of zones: only those that a page at full output would load a supply in."""

from __future__ import annotations

from tests.zones.findings.conftest import Quay
from zones.models import Run
from zones.sheets.zone_questions import zone_questions


def test_no_one_is_asked_which_tones_a_zone_on_a_line_carries(db: None) -> None:
    quay = Quay()
    with quay.record.change():
        quay.record.run("L1", kind=Run.Kind.CONSTANT_VOLTAGE, zone=quay.record.zone("Gangway"))
    (asked,) = zone_questions(quay.site_id, 1 << 60)
    assert "Ticket hall" in asked
    assert "Gangway" not in asked


def test_a_run_whose_zone_is_not_recorded_asks_nothing_of_a_zone(db: None) -> None:
    quay = Quay()
    with quay.record.change():
        quay.record.run("R2", zone=None)
    (asked,) = zone_questions(quay.site_id, 1 << 60)
    assert asked.endswith("Not recorded of zone Ticket hall: counted as speech.")
