"""One benchmark in this process: ``python -m tests.bench NAME CASE… --sites N``; one JSON line a case."""

from __future__ import annotations

import argparse
import importlib

import django

FILES = {
    "solver": "solver",
    "recheck-all": "recheck_all",
    "sweeping": "sweeping",
    "one-change": "one_change",
    "changing": "changing",
    "history": "history",
    "search": "search",
}


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("name", choices=FILES)
    parser.add_argument("cases", nargs="*")
    parser.add_argument("--sites", type=int, required=True)
    asked = parser.parse_args()
    django.setup()
    bench = importlib.import_module(f"tests.bench.{FILES[asked.name]}")
    for line in bench.cases(tuple(asked.cases) or bench.CASES, asked.sites):
        print(line, flush=True)


if __name__ == "__main__":
    main()
