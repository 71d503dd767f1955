from .findings import Case, CatalogueNews, Finding, Takeover
from .landings import ClipFacts, Landing
from .readings import Reading
from .recheck import DueDate, Figures, SiteCheck, ZoneSubject
from .runs import Point, PointFacts, Run, RunFacts
from .zones import PagingSet, PagingSetZone, Zone, ZoneEndpoint, ZoneFacts

__all__ = [
    "Case",
    "CatalogueNews",
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
    "ZoneFacts",
    "ZoneSubject",
]
