"""A site in two versions is two sites of one plant, whose things have nothing in common."""

from __future__ import annotations

import pytest

from tests.zones.plant.plant_rows import LATER, reading, rows
from tests.zones.recording import SiteRecord
from zones.models import PagingSet, PagingSetZone
from zones.plant.versions import Version, read_versions

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize(
    ("table", "column"),
    [
        ("runs", "run"),
        ("runs", "zone_id"),
        ("zones", "zone_id"),
        ("paging", "set_id"),
        ("paging", "zone_id"),
        ("addresses", "address_code"),
        ("readings", "reading_id"),
    ],
)
def test_no_id_of_one_version_is_one_of_another(table: str, column: str) -> None:
    """The ids of the second version are those of the record and 2⁴⁶ more."""
    record = SiteRecord()
    with record.change():
        zone = record.zone()
        run = record.run(zone=zone)
        record.make(PagingSetZone, paging_set=record.make(PagingSet, name="boarding"), zone=zone)
        record.endpoint(address="10.0.0.7", vlan=30)
    reading(record, LATER, kind="run_current", state="idle", run=run, value=0.1)
    plant = read_versions([Version(record.site_id, {}), Version(record.site_id, {})])
    first, second = (row[column] for row in rows(plant, table))
    assert second - first == 70_368_744_177_664
