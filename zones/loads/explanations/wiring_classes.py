"""Worked calculation of wiring classes: the marking of a source, and the cable that its runs lie in."""

from __future__ import annotations

import numpy as np

from sites.models import CableType, DeviceModel, Site
from zones.electrical.bands import IntArray
from zones.electrical.plant import CableListing, Jurisdiction, OutputClass, RunKind
from zones.electrical.subjects import SubjectKind
from zones.electrical.wiring_class import listing
from zones.loads.site_loads import Load

from .registry import explains
from .scene import Scene
from .worked import Column, Step, Table, Worked, bands_of, columns

_RUNS = columns("run", Column("cable", "cable"), "segments")


@explains("wiring_class")
def wiring_class(scene: Scene, load: Load) -> Worked:
    rows = _segments(scene, load)
    laid: dict[tuple[str, str], int] = {}
    for row, kind in zip(rows.tolist(), listing(scene.plant, rows).tolist(), strict=True):
        cable = CableType.Listing[CableListing(kind).name].label if kind >= 0 else "listing not recorded"
        key = scene.run_name_of(row), cable
        laid[key] = laid.get(key, 0) + 1
    return Worked(
        formula="Runs in communications or Class 2 cable whose source is not marked Class 2, or as a limited "
        "power source. A Class 3 output may lie in Class 3 and communications cable.",
        assumptions=(
            f"Marking at the source: {_marking(scene, load)}.",
            "The class is what equipment is marked, never inferred from its power.",
            _reach(int(scene.plant.jurisdiction[0])),
        ),
        tables=(Table.of("What its runs lie in", _RUNS, [[*key, count] for key, count in laid.items()]),),
        steps=(Step.of("Runs", "runs", "", bands_of(load)),),
    )


def _segments(scene: Scene, load: Load) -> IntArray:
    """The rows of points whose segments lie in the circuit of the source of a load."""
    index, wiring = scene.index(load.subject), scene.wiring
    if load.subject[0] == SubjectKind.SUPPLY:
        network = scene.dc.network
        its = np.isin(network.reach_tree, np.flatnonzero(network.supplies.index == index))
        rows: IntArray = network.wiring.row[np.unique(network.reach_node[its])]
        return rows
    on = scene.plant.runs.amplifier_index[wiring.run_row] == index
    on &= wiring.run_kind != RunKind.SELF_AMPLIFIED
    driven: IntArray = wiring.row[on[wiring.run]]
    return driven


def _marking(scene: Scene, load: Load) -> str:
    classes = DeviceModel.OutputClass
    if load.subject[0] == SubjectKind.SUPPLY:
        marked = {1: classes.CLASS_2, 0: classes.UNMARKED}.get(_whole(scene, load, "class_2_marked"))
    else:
        number = _whole(scene, load, "output_class")
        marked = classes[OutputClass(number).name] if number >= 0 else None
    return "not recorded: read its label" if marked is None else str(marked.label)


def _whole(scene: Scene, load: Load, name: str) -> int:
    value = scene.fact(load.subject, name)
    return int(value) if np.isfinite(value) else -1


def _reach(jurisdiction: int) -> str:
    if jurisdiction < 0:
        return "The site's jurisdiction is not recorded: judged by the NEC."
    place = Site.Jurisdiction[Jurisdiction(jurisdiction).name].label
    if jurisdiction == Jurisdiction.UNITED_STATES:
        return f"Jurisdiction: {place}. Judged by the NEC."
    return f"Jurisdiction: {place}. The NEC does not reach there: only a Class 2 marking settles it."
