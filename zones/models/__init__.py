from .findings import Case, CatalogueNews, Finding, Takeover
from .landings import ClipFacts, Landing
from .recheck import DueDate, DueTest, Expected, Figures, ProofsKept, RecheckTime, SiteCheck, ZoneSubject
from .runs import Point, PointFacts, Run, RunFacts
from .test_kinds import KINDS, KindOfTest
from .tests import Test
from .visits import Visit
from .zones import PagingSet, PagingSetZone, Zone, ZoneEndpoint, ZoneFacts

__all__ = [
    "KINDS",
    "Case",
    "CatalogueNews",
    "ClipFacts",
    "DueDate",
    "DueTest",
    "Expected",
    "Figures",
    "Finding",
    "KindOfTest",
    "Landing",
    "PagingSet",
    "PagingSetZone",
    "Point",
    "PointFacts",
    "ProofsKept",
    "RecheckTime",
    "Run",
    "RunFacts",
    "SiteCheck",
    "Takeover",
    "Test",
    "Visit",
    "Zone",
    "ZoneEndpoint",
    "ZoneFacts",
    "ZoneSubject",
]
