"""Sources that may not feed the cable that their runs lie in.

A circuit in communications or Class 2 cable needs a source that is marked Class 2, or as a limited power
source: listing and marking decide, never a computed power (NEC 725.60, formerly 725.121; outputs of
amplifiers 640.9(C)). A Class 3 output may lie in Class 3 cable and in the communications cable that may stand
for it (725.154). All from memory.
"""

from __future__ import annotations

import numpy as np

from .bands import IntArray
from .figures import FigureBlock, Subjects, any_of, lookup
from .plant import BoolArray, CableListing, Jurisdiction, Members, OutputClass, Plant

NOT_RECORDED = -1
MAY_FEED = np.zeros((len(OutputClass) + 1, len(CableListing) + 1), np.bool_)
MAY_FEED[OutputClass.CLASS_2] = True
MAY_FEED[:, CableListing.POWER] = True
MAY_FEED[OutputClass.CLASS_3, [CableListing.COMMUNICATIONS, CableListing.CLASS_3]] = True
"""By ``OutputClass`` and ``CableListing``, the last of each being what is not recorded: whether it surely
may."""


def listing(plant: Plant, row: IntArray) -> IntArray:
    """(n,) ``CableListing`` of the segment of each ``row`` of points, −1 not recorded. Category cable counts
    as communications cable."""
    cable = plant.points.cable_index[row]
    own = lookup(plant.cables.listing, cable)
    by_kind = np.where(lookup(plant.cables.category, cable), int(CableListing.COMMUNICATIONS), NOT_RECORDED)
    return np.where(own >= 0, own, by_kind)


def wiring_class(
    plant: Plant,
    members: Members,
    sources: Subjects,
    marked: IntArray,
    *,
    source: IntArray,
    run: IntArray,
    row: IntArray,
) -> FigureBlock:
    """Figure wiring_class of sources: how many of their runs lie in cable that they may not feed.

    sources: t of them. marked: (t,) of ``OutputClass``, −1 not recorded. source, run, row: (n,) of each
    segment the source that feeds it, its run and its row of points. High counts what is not known to be
    right: where marking or listing is not recorded, and outside the reach of the NEC, where it takes a
    Class 2 marking. A site without a jurisdiction counts as under the NEC.
    """
    count = len(sources.member)
    jurisdiction = plant.jurisdiction[members.site[sources.member]]
    in_reach = np.isin(jurisdiction, [NOT_RECORDED, Jurisdiction.UNITED_STATES])[source]
    of_source, of_cable = marked[source], listing(plant, row)
    right = MAY_FEED[of_source, of_cable] & (in_reach | (of_source == OutputClass.CLASS_2))
    wrong = ~right & in_reach & (of_source >= 0) & (of_cable >= 0)

    def runs(where: BoolArray) -> IntArray:
        """(t,) distinct runs of each source that have such a segment."""
        width = int(run.max(initial=0)) + 1
        pairs = np.unique(source[where] * width + run[where])
        return np.bincount(pairs // width, minlength=count)

    some = any_of(source, np.ones(len(source), np.bool_), count)
    bands = np.stack([runs(wrong), runs(wrong), runs(~right)])
    return sources.figures("wiring_class", bands=bands, limit=0.0, keep=some)
