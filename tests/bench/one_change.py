"""One change, from its commit to the finding that names it, in a large fleet and in a small one."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path

from tests.bench.lines import Line, line
from tests.bench.recheck_all import sizes

NAME = "one-change"
CASES = ("sweeper", "buffers")
TOGETHER = True
GOAL = 1.3
FEW = 100


def cases(wanted: tuple[str, ...], _sites: int) -> Iterator[Line]:
    with tempfile.TemporaryDirectory(prefix="zonebook-bench-", ignore_cleanup_errors=True) as scratch:
        Path(scratch).chmod(0o755)
        few = {**os.environ, "ZONEBOOK_DATA": scratch}
        _run(["manage.py", "migrate", "--verbosity", "0"], few)
        _run(["manage.py", "fleet", "--sites", str(FEW), "--verbosity", "0"], few)
        _run(["manage.py", "recheck", "--all"], few)
        # in turns, so that what else the machine does strikes both
        told = [_measured(os.environ), _measured(few), _measured(os.environ), _measured(few)]
    large, small = (
        {key: min(one[key], other[key]) for key in one} for one, other in zip(told[:2], told[2:], strict=True)
    )
    unit = {"sweeper": "seconds", "buffers": "buffers"}
    for case in wanted:
        key = unit[case]
        yield line(NAME, case, large[key], small[key], goal=GOAL, sizes=sizes(), peak=large["peak_rss_mb"])


def _measured(environment: Mapping[str, str]) -> dict[str, float]:
    done = _run(["-m", "tests.bench", "changing", "--sites", "1"], environment)
    return dict(json.loads(done))


def _run(arguments: list[str], environment: Mapping[str, str]) -> str:
    program = [sys.executable, *arguments]
    return subprocess.run(
        program, env=dict(environment), check=True, stdout=subprocess.PIPE, text=True
    ).stdout
