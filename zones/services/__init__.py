"""Everything that can be done to what zones carry. Importing this registers the operations."""

from . import landings, paging_sets, points, readings, rules, runs, zones

__all__ = ["landings", "paging_sets", "points", "readings", "rules", "runs", "zones"]
