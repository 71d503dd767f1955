"""`ENGINE = "api.database.backend"`: Django's PostgreSQL backend, whose host is the embedded server of
`DATA_DIR`."""

from pathlib import Path
from typing import Any

from django.db.backends.postgresql import base as postgresql
from django.db.utils import OperationalError

from api.database import embedded
from api.database.backend.client import DatabaseClient
from api.database.cluster import Address
from api.database.errors import EmbeddedDatabaseError


class DatabaseWrapper(postgresql.DatabaseWrapper):
    client_class = DatabaseClient

    def join_server(self, *, again: bool = False) -> Address:
        """Start the server, or find it running."""
        try:
            return embedded.join(Path(self.settings_dict["DATA_DIR"]), again=again)
        except EmbeddedDatabaseError as error:
            raise OperationalError(str(error)) from error

    def get_connection_params(self) -> dict[str, Any]:
        return {**super().get_connection_params(), **_parameters(self.join_server())}

    def get_new_connection(self, conn_params: dict[str, Any]) -> Any:
        try:
            return super().get_new_connection(conn_params)
        except self.Database.OperationalError:
            # The server may have been killed since: look once more, and start it
            address = self.join_server(again=True)
            return super().get_new_connection({**conn_params, **_parameters(address)})


def _parameters(address: Address) -> dict[str, Any]:
    parameters: dict[str, Any] = {"host": address.host, "port": address.port}
    return parameters | ({"password": address.password} if address.password else {})
