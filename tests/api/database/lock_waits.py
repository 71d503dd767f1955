"""Who waits for which lock, behind whom, and how long, by the server's own clock."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import psycopg

LOOK_EVERY_S = 0.02
_WAITS = """
SELECT l.pid, l.waitstart, extract(epoch FROM clock_timestamp() - l.waitstart)::float8, a.usename, l.locktype,
       l.mode, l.relation::regclass::text, left(a.query, 200), pg_blocking_pids(l.pid)
FROM pg_locks l JOIN pg_stat_activity a USING (pid)
WHERE NOT l.granted AND l.waitstart IS NOT NULL AND a.datname = current_database()"""

_ROLES = "SELECT pid, usename FROM pg_stat_activity WHERE usename IS NOT NULL"


@dataclass(frozen=True)
class Wait:
    pid: int
    seconds: float
    role: str
    kind: str
    """Kind of the lock: ``relation``, ``tuple``, ``transactionid`` …"""
    mode: str
    table: str | None
    query: str
    behind: frozenset[str]
    """The roles of those who held it or were before it in the queue, and whom these waited for, and so on."""


class LockWaits:
    """While the block runs, looks from a session of its own."""

    def __init__(self, connect: Callable[[], psycopg.Connection[Any]]) -> None:
        self.session = connect()
        self.session.autocommit = True
        self.looks = 0
        self._longest: dict[tuple[int, Any], Wait] = {}
        self._over = threading.Event()
        self._amiss: list[psycopg.Error] = []
        self._thread = threading.Thread(target=self._look_on)

    def __enter__(self) -> LockWaits:
        self._thread.start()
        return self

    def __exit__(self, *_error: object) -> None:
        self._over.set()
        self._thread.join()
        self.session.close()
        assert not self._amiss, self._amiss

    def _look_on(self) -> None:
        try:
            while not self._over.wait(LOOK_EVERY_S):
                self._look()
        except psycopg.Error as error:  # raised in the test's own thread
            self._amiss.append(error)

    def _look(self) -> None:
        rows = self.session.execute(_WAITS).fetchall()
        self.looks += 1
        before = {row[0]: set(row[8]) for row in rows}
        roles = dict(self.session.execute(_ROLES).fetchall()) if rows else {}
        for pid, since, seconds, role, kind, mode, table, query, _ in rows:
            behind: set[int] = set()
            ahead = set(before[pid])
            while ahead - behind:
                behind |= ahead
                ahead = set().union(*(before.get(each, set()) for each in behind))
            by_role = frozenset(roles[each] for each in behind if roles.get(each))
            self._longest[pid, since] = Wait(pid, seconds, role, kind, mode, table, query, by_role)

    def seen(self) -> list[Wait]:
        """Each wait as it was last seen, the longest first."""
        return sorted(self._longest.values(), key=lambda wait: -wait.seconds)
