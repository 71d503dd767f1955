"""Whether a COMMIT was sent since the request began: only then can it be unknown what was written."""

from __future__ import annotations

from typing import Any

from django.db import DatabaseError, InterfaceError, connections
from django.db.backends.postgresql import base as postgresql
from psycopg.errors import IdleInTransactionSessionTimeout


class NotesCommits(postgresql.DatabaseWrapper):
    """A connection that notes its COMMITs.

    The server acts on a COMMIT whether or not its answer arrives. One that the server itself refused (a
    deferred rule, a deadlock) is known to have written nothing, and the connection is still in order. So is
    one that came after the server had ended the transaction, which was idle for too long."""

    commit_sent = False

    def _commit(self) -> None:
        before, self.commit_sent = self.commit_sent, True
        try:
            super()._commit()  # type: ignore[misc]  # the stubs leave it out
        except (DatabaseError, InterfaceError) as error:
            refused = self.connection is not None and not self.connection.closed
            if refused or ended_idle(error):
                self.commit_sent = before
            raise


def forget_commits(**_signal: Any) -> None:
    """Receiver of `request_started`."""
    for connection in connections.all(initialized_only=True):
        if isinstance(connection, NotesCommits):
            connection.commit_sent = False


def commit_was_sent() -> bool:
    """Whether this request has sent a COMMIT that the server did not refuse."""
    connection = connections["default"]
    return isinstance(connection, NotesCommits) and connection.commit_sent


def ended_idle(error: Exception) -> bool:
    """Whether the server ended the session since its transaction was idle for too long, and rolled it
    back."""
    return isinstance(error.__cause__, IdleInTransactionSessionTimeout)
