"""Makes the computation of some sites raise, for as long as a file names them."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

from zones.electrical.evaluate import Evaluation, evaluate
from zones.electrical.plant import Plant
from zones.recheck import batch

REASON = "ArithmeticError: the sums of a run disagree"


def spoiled(go_on: Callable[..., Evaluation], named_in: Path) -> Callable[..., Evaluation]:
    """``go_on``, but for a batch with one of the sites that the file names now."""

    def raising(plant: Plant, *arguments: Any, **named: Any) -> Evaluation:
        if set(plant.site_id.tolist()) & set(map(int, named_in.read_text(encoding="ascii").split())):
            raise ArithmeticError("the sums\n  of a run disagree")
        return go_on(plant, *arguments, **named)

    return raising


def spoil_where_asked() -> None:
    """As the environment says, if it says so."""
    named_in = os.environ.get("ZONEBOOK_TESTED_SPOILED")
    if named_in:
        batch.evaluate = spoiled(evaluate, Path(named_in))  # type: ignore[attr-defined]
