"""Everything that can be done to what zones carry. Importing this registers the operations."""

from . import constraints, landings, paging_sets, points, runs, tests, visits, zones

__all__ = ["constraints", "landings", "paging_sets", "points", "runs", "tests", "visits", "zones"]
