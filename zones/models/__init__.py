from zones.findings.models import Case, Finding, Takeover
from zones.recheck.models import DueDate, Figures, SiteCheck, ZoneSubject

from .landings import ClipFacts, Landing
from .readings import Reading
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
    "ZoneSubject",
]
