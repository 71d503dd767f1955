"""Worked calculations of what rests on the proofs of a run."""

from __future__ import annotations

import datetime as dt

import numpy as np

from zones.electrical.proofs import DueTest, Verdict, tests_of_proof
from zones.loads.site_loads import Load

from .registry import explains
from .scene import Scene
from .worked import Amount, Step, Table, Worked, columns


@explains("in_service_unproven")
def in_service_unproven(scene: Scene, load: Load) -> Worked:
    step = int(scene.members.step[0])
    found = tests_of_proof(scene.plant, scene.index(load.subject), step)
    rows = [
        (one.kind.name.lower().replace("_", " "), one.verdict.name.lower().replace("_", " ")) for one in found
    ]
    missing = sum(one.verdict is not Verdict.PASSED for one in found)
    return Worked(
        formula="1 where one of the four tests did not pass since the wiring that it tries last changed; "
        "else 0.",
        tables=(Table.of("Tests of the proof", columns("test", "verdict"), rows),),
        steps=(
            Step.of("Tests that do not count", "tests", "", missing),
            Step.of("In service unproven", "in service unproven", "", float(missing > 0)),
        ),
    )


@explains("test_overdue")
def test_overdue(scene: Scene, load: Load) -> Worked:
    assert load.detail is not None
    due = DueTest.of_detail(load.detail)
    months = np.unique(scene.plant.covers.months).tolist()
    words = f"Due on {dt.date.fromordinal(due.due_on)}"
    if due.proven_on:
        words += f"; last complete proof {dt.date.fromordinal(due.proven_on)}"
    return Worked(
        formula="Due = last complete proof, or the run's first day, but no day before the site was taken "
        "over or before proofs were kept, + test interval. Overdue from the day after.",
        inputs=tuple(Amount.of("test interval", "months", float(one), "contract") for one in months),
        steps=(Step.of(words, "overdue", "", 1.0),),
    )
