"""What is asked of zones: whether they serve life safety, and tones where full output loads a supply."""

from __future__ import annotations

from sites.changes.steps import first_step_after
from sites.models import Site
from tests import factories
from tests.zones.findings.conftest import Quay
from zones.models import Run, Zone, ZoneFacts
from zones.services.zones import zone_end
from zones.sheets.zone_questions import zone_questions


def test_no_one_is_asked_which_tones_a_zone_on_a_line_carries(db: None) -> None:
    quay = Quay()
    with quay.record.change():
        quay.record.run("L1", kind=Run.Kind.CONSTANT_VOLTAGE, zone=quay.record.zone("Gangway"))
    _, asked = zone_questions(quay.site_id, 1 << 60)
    assert "Ticket hall" in asked
    assert "Gangway" not in asked


def test_a_run_whose_zone_is_not_recorded_asks_nothing_of_a_zone(db: None) -> None:
    quay = Quay()
    with quay.record.change():
        quay.record.run("R2", zone=None)
    _, asked = zone_questions(quay.site_id, 1 << 60)
    assert asked.endswith("Not recorded for zone Ticket hall: counted as speech.")


def test_which_zones_serve_life_safety_is_asked_of_those_that_stand_and_where_it_is_not_recorded(
    site: Site,
) -> None:
    """Of all of them by name, whatever feeds them, since the answer is entered zone by zone."""
    known = {"signal": ZoneFacts.Signal.SPEECH}
    names = [f"Berth {letter}" for letter in "ABCDEFG"]
    berths = [factories.make_zone(site, name=name, **known) for name in names]
    factories.make_zone(site, name="Ticket hall", life_safety=Zone.LifeSafety.YES, **known)
    factories.make_zone(site, name="Kiosk", life_safety=Zone.LifeSafety.NO, **known)
    factories.make_zone(name="Another site's")
    before = first_step_after(factories.BUILT_ON)
    (asked,) = zone_questions(site.pk, before)
    assert asked == (
        "Which zones serve life safety? Not recorded for zones Berth A, Berth B, Berth C, Berth D, Berth E, "
        "Berth F and Berth G."
    )
    for berth in berths[1:]:
        zone_end(factories.change(site), zone=berth)
    (asked,) = zone_questions(site.pk, before)
    assert asked == "Which zones serve life safety? Not recorded for zone Berth A."
