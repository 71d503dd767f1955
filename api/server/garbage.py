"""How often a process that answers requests looks for garbage in circles. All else is freed at once.

While a long answer is made, nothing of it is garbage, and to look through it takes up to a fifth of its time.
So this is done when the answer is sent and most of it is free already."""

import gc
from typing import Final

from django.core.signals import request_finished

_WHILE_ANSWERING: Final = 100_000, 10, 10
"""Python's thresholds: for a request that makes more than any answer has."""
_NEW: Final = 5_000
"""So many things that are not free once an answer is sent are looked through. With more, what answers leave
behind adds up to hundreds of megabytes."""
_LOOKS: Final = 5
"""After so many looks all that came after the start is looked through."""


def look_between_answers() -> None:
    """To be called once all modules are loaded: they are frozen, since the collector would visit them all,
    for a quarter of the time of a long answer."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(*_WHILE_ANSWERING)
    request_finished.connect(_look, dispatch_uid="look_between_answers")


def _look(**_signal: object) -> None:
    new, _, looks = gc.get_count()
    if looks >= _LOOKS:
        gc.collect()
    elif new >= _NEW:
        gc.collect(1)
