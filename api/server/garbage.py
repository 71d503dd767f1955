"""How often a process that answers requests looks for garbage in circles. All else is freed at once."""

import gc

_THRESHOLDS = 5_000, 5, 5
"""An answer of some thousand items would otherwise start the collector often: a tenth of its time. With more,
what answers leave behind adds up to hundreds of megabytes."""


def look_seldom() -> None:
    """To be called once all modules are loaded: they are frozen, since the collector would visit them all,
    for a quarter of the time of a long answer."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(*_THRESHOLDS)
