"""The registry: one entry a file, in the order in which one may refer to another."""

from __future__ import annotations

from .catalogue import CABLE_TYPES, DEVICE_MODELS, INSTRUMENTS
from .corrections import CORRECTED, CORRECTIONS, corrected_columns
from .customers import CHANGES, CLOSETS, CONTACTS, CONTRACTS, COVERAGES, CUSTOMERS, SITES
from .equipment import AMPLIFIERS, BLOCKS, ENDPOINTS, OUTPUTS, SUPPLIES, SWITCH_PORTS, SWITCHES
from .kinds import Column, Estimated, FileKind, Reference
from .landings import CLIPS, LANDINGS
from .tests import TESTS, VISITS
from .wiring import PAGING_SETS, POINTS, RUNS, ZONE_ENDPOINTS, ZONES

ALL: tuple[FileKind, ...] = (
    DEVICE_MODELS,
    CABLE_TYPES,
    INSTRUMENTS,
    CUSTOMERS,
    CONTRACTS,
    SITES,
    COVERAGES,
    CHANGES,
    CLOSETS,
    CONTACTS,
    SWITCHES,
    SWITCH_PORTS,
    SUPPLIES,
    AMPLIFIERS,
    ENDPOINTS,
    OUTPUTS,
    BLOCKS,
    ZONES,
    ZONE_ENDPOINTS,
    PAGING_SETS,
    RUNS,
    POINTS,
    LANDINGS,
    CLIPS,
    VISITS,
    TESTS,
    CORRECTIONS,
)
BY_NAME = {kind.name: kind for kind in ALL}
FORMER = {name: kind for kind in ALL for name in kind.former}
"""Kinds by the names that their files had in a release before, whose exports are imported too."""
# What all sites share, and what is of one site; sites, their coverages, changes and corrections are neither
SHARED = tuple(kind for kind in ALL if not kind.sited and kind not in (SITES, COVERAGES))
SITED = tuple(kind for kind in ALL if kind.sited and kind not in (CHANGES, CORRECTIONS))

__all__ = [
    "ALL",
    "BY_NAME",
    "CORRECTED",
    "FORMER",
    "SHARED",
    "SITED",
    "Column",
    "Estimated",
    "FileKind",
    "Reference",
    "corrected_columns",
]
