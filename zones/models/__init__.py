from zones.findings.models import Case, Finding, Takeover
from zones.proving.models import Reading
from zones.recheck.models import DueDate, Figures, SiteCheck

from .landings import ClipFacts, Landing
from .runs import Point, PointFacts, Run, RunFacts
from .zones import PagingSet, PagingSetZone, Zone, ZoneEndpoint

__all__ = [
    "Case",
    "ClipFacts",
    "DueDate",
    "Figures",
    "Finding",
    "Landing",
    "PagingSet",
    "PagingSetZone",
    "Point",
    "PointFacts",
    "Reading",
    "Run",
    "RunFacts",
    "SiteCheck",
    "Takeover",
    "Zone",
    "ZoneEndpoint",
]
