"""`ENGINE = "api.database.backend"`: Django's PostgreSQL backend, whose host is the embedded server of
`DATA_DIR`."""

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from django.db.backends.postgresql.client import DatabaseClient as PostgresqlClient
from django.db.utils import OperationalError

from api.database import EmbeddedDatabaseError, embedded, programs
from api.database.cluster import PORT
from api.database.commits import NotesCommits
from api.database.usable import LooksBeforeItAsks


class DatabaseClient(PostgresqlClient):
    """`manage.py dbshell`: psql from the same programs."""

    def runshell(self, parameters: Iterable[str]) -> None:
        host = self.connection.join_server()  # type: ignore[attr-defined]
        self.connection.settings_dict.update(HOST=host, PORT=str(PORT))
        DatabaseClient.executable_name = next(programs.candidates()).path("psql")
        super().runshell(list(parameters))


class DatabaseWrapper(NotesCommits, LooksBeforeItAsks):
    client_class = DatabaseClient

    def join_server(self, *, again: bool = False) -> str:
        """Start the server, or find it running. Returns the folder of its socket."""
        try:
            return embedded.join(Path(self.settings_dict["DATA_DIR"]), again=again)
        except EmbeddedDatabaseError as error:
            raise OperationalError(str(error)) from error

    def get_connection_params(self) -> dict[str, Any]:
        return {**super().get_connection_params(), "host": self.join_server(), "port": PORT}

    def get_new_connection(self, conn_params: dict[str, Any]) -> Any:
        try:
            return super().get_new_connection(conn_params)
        except self.Database.OperationalError:
            # The server may have been killed since: look once more, and start it
            return super().get_new_connection({**conn_params, "host": self.join_server(again=True)})
