"""Which limit is explained by which worked calculation, in one list."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from zones.loads.site_loads import Load

from .scene import Scene
from .worked import Worked

Explainer = Callable[[Scene, Load], Worked]
EXPLAINERS: Final[dict[str, Explainer]] = {}


def explains(*codes: str) -> Callable[[Explainer], Explainer]:
    """Register a function that works out the figure of some limits again, to be read."""

    def register(explainer: Explainer) -> Explainer:
        for code in codes:
            if code in EXPLAINERS:
                raise ValueError(f"there are two explanations of {code}")
            EXPLAINERS[code] = explainer
        return explainer

    return register
