"""Gates to what zones are made of; see `sites.access.gates`."""

from __future__ import annotations

from sites.access.gates import Gate
from zones.models import Case, Finding, Landing, PagingSet, Point, Reading, Run, Zone, ZoneEndpoint

zone_for = Gate(Zone, "site")
zone_endpoint_for = Gate(ZoneEndpoint, "site")
run_for = Gate(Run, "site", "block")
point_for = Gate(Point, "site", "run")
landing_for = Gate(Landing, "site", "block")
paging_set_for = Gate(PagingSet, "site")
reading_for = Gate(Reading, "site")
finding_for = Gate(Finding, "site", "case")
case_for = Gate(Case, "site")
