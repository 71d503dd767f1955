"""The arrows between the rooms hold, and the electrical core stands on nothing."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]


def answer_to(question: str) -> str:
    command = [sys.executable, "-c", question]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True).stdout.strip()


def test_the_electrical_core_loads_no_framework() -> None:
    question = (
        "import pkgutil, sys, zones.electrical as core\n"
        "for part in pkgutil.walk_packages(core.__path__, 'zones.electrical.'): __import__(part.name)\n"
        "print(sorted({name.split('.')[0] for name in sys.modules} & "
        "{'django', 'rest_framework', 'celery', 'psycopg', 'sites', 'api', 'structlog', 'scipy'}))"
    )
    assert answer_to(question) == "[]"


def test_the_reaper_of_the_database_loads_no_framework() -> None:
    question = (
        "import sys, api.database.reaper\n"
        "print(sorted({name.split('.')[0] for name in sys.modules} & "
        "{'django', 'psycopg', 'celery', 'numpy', 'structlog'}))"
    )
    assert answer_to(question) == "[]"
