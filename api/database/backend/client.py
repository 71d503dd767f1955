"""`manage.py dbshell` on the embedded server: psql from the same programs."""

from collections.abc import Iterable
from typing import Any

from django.db.backends.postgresql.client import DatabaseClient as PostgresqlClient

from api.database import programs


class DatabaseClient(PostgresqlClient):
    def runshell(self, parameters: Iterable[str]) -> None:
        address = self.connection.join_server()  # type: ignore[attr-defined]
        self.connection.settings_dict.update(
            HOST=address.host, PORT=str(address.port), PASSWORD=address.password or ""
        )
        super().runshell(list(parameters))

    @classmethod
    def settings_to_cmd_args_env(
        cls, settings_dict: dict[str, Any], parameters: Iterable[str]
    ) -> tuple[list[str], dict[str, str] | None]:
        arguments, environment = super().settings_to_cmd_args_env(settings_dict, parameters)
        return [next(programs.candidates()).path("psql"), *arguments[1:]], environment
