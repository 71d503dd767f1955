"""Whether a connection still stands, asked of the socket: a request to the server before each request of ours
took as long as to read twenty rows."""

from __future__ import annotations

import select

from django.db.backends.postgresql import base as postgresql


class LooksBeforeItAsks(postgresql.DatabaseWrapper):
    """A connection that asks its server whether it is there only where it may not be: after an error, or when
    something came that nobody asked for. A server that ends a session says so, and one that is killed has its
    sockets closed; both can be read at once. One that is frozen or cut off answers neither way."""

    def is_usable(self) -> bool:
        if self.errors_occurred or self.connection is None or self.connection.closed or self._has_news():
            return bool(super().is_usable())
        return True

    def _has_news(self) -> bool:
        sockets = select.poll()
        sockets.register(self.connection.pgconn.socket, select.POLLIN)
        return bool(sockets.poll(0))
