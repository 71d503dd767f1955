"""How often a process that answers requests looks for garbage in circles. All else is freed at once."""

import gc

_THRESHOLDS = 50_000, 20, 50
"""An answer of some thousand items would otherwise start the collector several times: a tenth of its time."""


def look_seldom() -> None:
    """To be called once all modules are loaded: they are frozen, since the collector would visit them all,
    for a quarter of the time of a long answer."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(*_THRESHOLDS)
