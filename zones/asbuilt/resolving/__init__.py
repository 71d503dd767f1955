"""From rows to things: what names mean, which change is which, what is new, and what contradicts the
record.

``resolve`` goes through the kinds in the order of the registry, so that what a row names is settled before
the row is. A row that is refused takes with it the rows that need it, and no others.
"""

from __future__ import annotations

from collections.abc import Mapping

from zones.asbuilt.formats import ALL, BY_NAME
from zones.asbuilt.parsing import Row
from zones.asbuilt.things import World

from .changes import changes_of_sites
from .context import Context, Importer
from .corrections import settle_corrections
from .coverages import settle_coverages
from .identity import identify
from .rules import check_ends, check_ports, check_rewritten
from .tests import settle_tests
from .trees import settle_trees
from .values import check_customers, settle

_OWN_WAY = {
    "coverages": settle_coverages,
    "tests": settle_tests,
    "corrections": settle_corrections,
}


def resolve(rows: Mapping[str, list[Row]], world: World, importer: Importer) -> Context:
    """Settle every row. Complaints stand on the rows afterwards; what is to be written, in the context's
    world.
    """
    context = Context(world, rows, importer)
    for kind in ALL:
        if kind.name in _OWN_WAY:
            _OWN_WAY[kind.name](context)
        elif kind.name == "sites":
            # Sites are there before their changes; what of them differs from the record waits for those
            identify(context, kind)
            check_customers(context)
        elif kind.name == "changes":
            changes_of_sites(context)
            settle(context, BY_NAME["sites"])
            context.withdraw(BY_NAME["sites"])
        else:
            identify(context, kind)
            settle(context, kind)
            if kind.name == "points":
                settle_trees(context)
            if kind.name == "endpoints":
                check_ports(context)
            check_rewritten(context, kind)
            check_ends(context, kind)
        context.withdraw(kind)
    return context


__all__ = ["Context", "Importer", "resolve"]
