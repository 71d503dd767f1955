"""What a benchmark prints, and how two things are timed side by side."""

from __future__ import annotations

import json
import resource
import statistics
import sys
import time
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path

STATUS = Path("/proc/self/status")


def peak_rss_mb() -> float:
    """The most memory this process has held so far. getrusage includes what its parent held when it started
    this process, so on Linux the figure comes from elsewhere."""
    if STATUS.exists():
        (line,) = (each for each in STATUS.read_text().splitlines() if each.startswith("VmHWM:"))
        return round(int(line.split()[1]) / 1024, 1)
    unit = 1024**2 if sys.platform == "darwin" else 1024
    return round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit, 1)


@dataclass(frozen=True)
class Line:
    """One case. ratio: ours over theirs; met: whether it is at most the goal."""

    bench: str
    case: str
    ours_s: float
    theirs_s: float
    ratio: float
    goal: float
    met: bool
    sizes: Mapping[str, int | float]
    peak_rss_mb: float

    def __str__(self) -> str:
        return json.dumps(asdict(self))


def compare(
    bench: str,
    case: str,
    ours: Callable[[], object],
    theirs: Callable[[], object],
    *,
    goal: float,
    sizes: Mapping[str, int | float],
    rounds: int = 5,
) -> Line:
    """Time both in turns, and take each one's median: what else the machine does strikes both alike.

    Ours comes first, and the memory is what was held at its end: the yardstick's does not count.
    """
    ours_s, theirs_s, peak = [], [], 0.0
    for round_ in range(rounds):
        ours_s.append(seconds(ours))
        peak = peak if round_ else peak_rss_mb()
        theirs_s.append(seconds(theirs))
    return line(
        bench, case, statistics.median(ours_s), statistics.median(theirs_s), goal=goal, sizes=sizes, peak=peak
    )


def line(
    bench: str,
    case: str,
    ours: float,
    theirs: float,
    *,
    goal: float,
    sizes: Mapping[str, int | float],
    peak: float | None = None,
) -> Line:
    ratio = ours / theirs
    return Line(
        bench=bench,
        case=case,
        ours_s=float(f"{ours:.4g}"),
        theirs_s=float(f"{theirs:.4g}"),
        ratio=float(f"{ratio:.3g}"),
        goal=goal,
        met=ratio <= goal,
        sizes=sizes,
        peak_rss_mb=peak_rss_mb() if peak is None else peak,
    )


def seconds(action: Callable[[], object]) -> float:
    started = time.perf_counter()
    action()
    return time.perf_counter() - started
