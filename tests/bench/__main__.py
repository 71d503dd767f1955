"""One benchmark: ``python -m tests.bench NAME [CASE…] --sites N``; one JSON line a case.

Each case has a process of its own, so that its memory is its own too; only those that share a measurement are
printed by one (``TOGETHER``).
"""

from __future__ import annotations

import argparse
import importlib
import subprocess
import sys

import django

FILES = {
    "structure": "structure",
    "solver": "solver",
    "recheck-all": "recheck_all",
    "sweeping": "sweeping",
    "one-change": "one_change",
    "changing": "changing",
    "telling": "telling",
    "interactive": "interactive",
    "import": "importing",
    "list": "listing",
    "history": "history",
    "search": "search",
    "pages": "pages",
    "publish": "publishing",
    "feed": "following",
    "deliver": "delivering",
    "tests": "testing",
    "routes": "routes",
    "asking": "asking",
}


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("name", choices=FILES)
    parser.add_argument("cases", nargs="*")
    parser.add_argument("--sites", type=int, required=True)
    asked = parser.parse_args()
    django.setup()
    bench = importlib.import_module(f"tests.bench.{FILES[asked.name]}")
    cases = tuple(asked.cases) or bench.CASES
    if len(cases) > 1 and not bench.TOGETHER:
        for case in cases:
            program = [sys.executable, "-m", "tests.bench", asked.name, case, "--sites", str(asked.sites)]
            subprocess.run(program, check=True)
        return
    for line in bench.cases(cases, asked.sites):
        print(line, flush=True)


if __name__ == "__main__":
    main()
