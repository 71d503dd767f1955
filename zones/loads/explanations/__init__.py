"""Worked calculations: each figure of a zone again, with its inputs, formula and intermediate values, for
someone with a pencil. They read the same plant and the same solved networks as the figures themselves."""

from __future__ import annotations

from functools import cached_property

from zones.electrical.self_amplified import FULL_OUTPUT
from zones.loads.site_loads import Load, SiteLoads

from . import (
    amplifier_lines,
    direct_current,
    feeds,
    network_power,
    proofs,
    readings,
    sound,
    terminations,
    wiring_classes,
)
from .registry import EXPLAINERS
from .scene import Scene
from .worked import Worked

__all__ = [
    "Explanations",
    "amplifier_lines",
    "direct_current",
    "feeds",
    "network_power",
    "proofs",
    "readings",
    "sound",
    "terminations",
    "wiring_classes",
]


class Explanations:
    """The worked calculations of a site's loads; what they are made from is read and solved once."""

    def __init__(self, loads: SiteLoads) -> None:
        self._scene = Scene(loads)

    @cached_property
    def _at_full_output(self) -> Scene:
        return self._scene.at_full_output()

    def of(self, load: Load) -> Worked:
        of_advice = load.code in FULL_OUTPUT.values()
        return EXPLAINERS[load.code](self._at_full_output if of_advice else self._scene, load)
