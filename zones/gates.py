"""Gates to what zones are made of; see `sites.access.gates`."""

from __future__ import annotations

from sites.access.gates import Gate
from zones.models import (
    Case,
    DueTest,
    Finding,
    Landing,
    PagingSet,
    Point,
    Run,
    Test,
    Visit,
    Zone,
    ZoneEndpoint,
)

zone_for = Gate(Zone, "site")
zone_endpoint_for = Gate(ZoneEndpoint, "site")
run_for = Gate(Run, "site", "block")
point_for = Gate(Point, "site", "run")
landing_for = Gate(Landing, "site", "block")
paging_set_for = Gate(PagingSet, "site")
test_for = Gate(Test, "site", "change_set")
due_test_for = Gate(DueTest, "site", "run__block")
visit_for = Gate(Visit, "site", "closet")
finding_for = Gate(Finding, "site", "case")
case_for = Gate(Case, "site")
