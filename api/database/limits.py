"""Limits in time of a session with the database, by what kind of process it serves.

They are the session's own defaults, given as it begins, so they hold from its first statement and cost none.
A command, a sweeper or a worker has the limits of bulk work; a web server takes those of people who wait
(`use_interactive`). `manage.py migrate` has limits of its own (`lock_guard`).
"""

from __future__ import annotations

import socket
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from django.conf import settings
from django.db import DEFAULT_DB_ALIAS, connections

CONNECT_S = 5  # for the server's answer, where its address gives no other
LONGEST_NAME = 63  # NAMEDATALEN: PostgreSQL cuts longer names of applications


@dataclass(frozen=True)
class Limits:
    """Seconds. `idle_in_transaction_s`: between two statements of a transaction, which holds its locks."""

    statement_s: int
    lock_s: int
    idle_in_transaction_s: int

    def options(self) -> str:
        """The options that a session begins with."""
        return (
            f"-c statement_timeout={self.statement_s}s -c lock_timeout={self.lock_s}s "
            f"-c idle_in_transaction_session_timeout={self.idle_in_transaction_s}s"
        )


def session_options(given: dict[str, Any], limits: Limits, *, name: str) -> dict[str, Any]:
    """The OPTIONS of a database: those in its address, which win, and ours."""
    options = f"{limits.options()} {given.get('options', '')}".strip()
    return {"application_name": name, "connect_timeout": CONNECT_S, **given, "options": options}


def process_name(words: list[str]) -> str:
    """How a process is named in the database's list of sessions: its command and its host."""
    path = Path(words[0] or "python")
    what = path.parent.name if path.stem == "__main__" else path.stem
    if what == "manage":
        what = next((word for word in words[1:] if not word.startswith("-")), what)
    return name_of_process(what)


def name_of_process(what: str) -> str:
    return f"zonebook {what} on {socket.gethostname()}"[:LONGEST_NAME]


def use_interactive() -> None:
    """Give the connections that this process makes from now on the limits of people who wait."""
    given = connections.settings[DEFAULT_DB_ALIAS]
    given["OPTIONS"] = session_options(
        settings.GIVEN_OPTIONS, settings.INTERACTIVE_LIMITS, name=name_of_process("web")
    )
