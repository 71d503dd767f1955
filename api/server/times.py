"""How long requests took, by route, and how long they waited for a thread: counted in memory that all
processes of one web server share, since any of them may be asked for it.

The first process makes the memory before it forks (`api.server.config`); each worker counts in a part of its
own, and one that takes the place of another goes on in that one's part. So there are no files, nothing is
lost with a worker, and two processes never write the same number. A process that was given no part counts
nothing."""

from __future__ import annotations

import mmap
import threading
from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

BOUNDS_S: Final = (0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0)
"""Upper bounds of the classes in which times are counted; one more is above all of them."""
MOST_ROWS: Final = 2048
MOST_WORKERS: Final = 64
THREAD_WAIT: Final = 0
"""The row of waits for a thread; those of routes follow."""
_COLUMNS: Final = len(BOUNDS_S) + 2  # the classes, and the sum
_PART: Final = MOST_ROWS * _COLUMNS
_BYTES: Final = 8
# Before the parts: how many of them were ever taken, so that nobody reads the others
_HEAD: Final = 1


@dataclass(frozen=True)
class Counted:
    """Times of one row, of all processes: how many in each class, and their sum."""

    classes: Sequence[float]
    sum_s: float

    @property
    def count(self) -> float:
        return sum(self.classes)

    def up_to(self) -> Iterator[tuple[str, float]]:
        """By upper bound, how many took no longer."""
        found = 0.0
        for bound, count in zip([*map(str, BOUNDS_S), "+Inf"], self.classes, strict=True):
            found += count
            yield bound, found


class Times:
    """The parts of all workers; this process counts in ``part``, or nothing where that is None."""

    def __init__(self, workers: int = 1) -> None:
        self._memory = mmap.mmap(-1, (_HEAD + workers * _PART) * _BYTES)
        self._numbers = memoryview(self._memory).cast("d")
        self._lock = threading.Lock()
        self.part: int | None = None

    def take(self, part: int | None) -> None:
        """Count in a part from now on; said before the process that does is forked."""
        self.part = part
        if part is not None:
            self._numbers[0] = max(self._numbers[0], part + 1)

    def add(self, row: int, seconds: float) -> None:
        if self.part is None or row >= MOST_ROWS:
            return
        start = _HEAD + self.part * _PART + row * _COLUMNS
        with self._lock:
            self._numbers[start + bisect_left(BOUNDS_S, seconds)] += 1
            self._numbers[start + _COLUMNS - 1] += seconds

    def of(self, row: int) -> Counted:
        columns = [0.0] * _COLUMNS
        for part in range(int(self._numbers[0])):
            start = _HEAD + part * _PART + row * _COLUMNS
            for column in range(_COLUMNS):
                columns[column] += self._numbers[start + column]
        return Counted(columns[:-1], columns[-1])

    def forget(self) -> None:
        """Start over: after a reload of other code rows are of other routes."""
        for place in range(_HEAD, _HEAD + int(self._numbers[0]) * _PART):
            self._numbers[place] = 0.0


class Parts:
    """Which parts are free; known to the first process, which starts the workers and sees them end."""

    def __init__(self) -> None:
        self._free = set(range(MOST_WORKERS))

    def take(self) -> int | None:
        if not self._free:
            return None
        part = min(self._free)
        self._free.remove(part)
        return part

    def give_back(self, part: int | None) -> None:
        if part is not None:
            self._free.add(part)


times = Times(MOST_WORKERS)
"""Times of this process and of those that it forks."""
