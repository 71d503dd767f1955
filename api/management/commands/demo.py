"""`manage.py demo`: serve the invented fleet on this machine; `--check` checks the main job on it."""

from __future__ import annotations

import json as as_text
import signal
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import connections

from api.demo.client import Client
from api.demo.fleet import ensure_fleet
from api.demo.main_job import check_main_job
from api.demo.people import ensure_people
from api.demo.processes import DemoError, free_port, require_free, serving
from api.demo.receiver import Receiver, receiving
from sites.access.services import token_make, token_revoke
from sites.models import Token, User

PORT = 8000
SCOPES = ("record:read", "record:write", "findings:write", "events:read", "subscriptions:write")
NAMED = "demo"
BAD_INPUT = 2


def _port(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 65535:
        raise CommandError(
            f"There is no port {text}: expected 1 to 65535, such as --port {PORT}.", returncode=BAD_INPUT
        )
    return int(text)


def _pushing_to(receiver: Receiver) -> dict[str, str]:
    """The environment in which pushes may go to a receiver on this machine, and nowhere else."""
    return {
        "ZONEBOOK_PUSH_HTTP": "on",
        "ZONEBOOK_PUSH_NETWORKS": "127.0.0.1/32",
        "ZONEBOOK_PUSH_PORTS": str(receiver.port),
    }


class Command(BaseCommand):
    help = (
        "Serve the demo: an invented integrator, its customers and their sites, with a sweeper that rechecks "
        "changed sites. Ctrl-C or SIGTERM stops everything. --check runs the main job over HTTP instead: it "
        "adds speakers to a zone until a figure is past its limit, waits for the finding, the event in the "
        "feed and the signed push that name the change, removes the speakers, and exits 0 if every step is "
        "as expected."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--port", type=_port, help=f"port of 127.0.0.1 (default: {PORT}; with --check a free one)"
        )
        parser.add_argument("--check", action="store_true", help="check the main job, then stop")
        parser.add_argument(
            "--json",
            action="store_true",
            help="when it serves, print address and log-ins as JSON, on the first line of standard output",
        )

    def handle(self, *, port: int | None, check: bool, json: bool, **_options: Any) -> None:
        if settings.IN_PRODUCTION:
            raise CommandError(
                "The demo makes an invented integrator, and this is production. Unset ZONEBOOK_ENVIRONMENT, "
                "and give it a database of its own.",
                returncode=BAD_INPUT,
            )
        quiet = check or json
        port = port or (free_port() if check else PORT)
        try:
            require_free(port)
            ensure_fleet(say=self._note)
            logins = ensure_people(Path(settings.DATA_DIR))
            token, secret = self._token(logins["manager"]["user"])
            connections.close_all()
            if check:
                with (
                    receiving() as receiver,
                    serving(port, token=secret, quiet=quiet, **_pushing_to(receiver)),
                ):
                    check_main_job(Client(port, secret), receiver, say=self.stdout.write)
                token_revoke(token=token)
            else:
                with serving(port, token=secret, quiet=quiet):
                    self._print(port, logins, secret, as_json=json)
                    signal.pause()
        except DemoError as error:
            raise CommandError(str(error)) from error
        except KeyboardInterrupt:
            self._note("Stopped.")

    def _note(self, text: str) -> None:
        # On standard error: with --json the first line of standard output is for a program
        self.stderr.write(text, style_func=lambda words: words)

    def _token(self, username: str) -> tuple[Token, str]:
        user = User.objects.get(username=username)
        # The token of an earlier demo was printed on a terminal
        for old in Token.objects.filter(user=user, name=NAMED, revoked_at=None):
            token_revoke(token=old)
        return token_make(user=user, scopes=list(SCOPES), name=NAMED)

    def _print(self, port: int, logins: dict[str, dict[str, str]], secret: str, *, as_json: bool) -> None:
        url = f"http://127.0.0.1:{port}"
        if as_json:
            self.stdout.write(as_text.dumps({"url": url, "logins": logins, "token": secret}))
            self.stdout.flush()
            return
        api = f"{url}/api/v1"
        lines = [
            "",
            f"Zonebook serves the invented fleet of Larkmoor Sound & Signal on {url}",
            "",
            "  without a log-in: what it is, and the API:",
            f"  {url}/",
            f"  {api}/reference",
            "",
            "  with the manager's token:",
            f"  curl -H 'Authorization: Bearer {secret}' '{api}/findings?page_size=3'",
            f"  curl -H 'Authorization: Bearer {secret}' '{api}/search?q=quay'",
            f"  curl -H 'Authorization: Bearer {secret}' '{api}/events?page_size=3'",
            "",
            "  users (role, username, password):",
            *(f"  {role:<11} {who['user']}  {who['password']}" for role, who in logins.items()),
            "",
            "Ctrl-C stops the demo. Open this first, in a browser, and log in as one of these users:",
            f"{url}/log-in",
        ]
        self.stdout.write("\n".join(lines))
        self.stdout.flush()
