"""`manage.py keys rotate`: encrypt door and alarm codes, and secrets of subscriptions, again under the newest
key."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from sites.services.secrets import secrets_rotate
from sites.wording import counted


class Command(BaseCommand):
    help = (
        "Keys of door and alarm codes, and of what signs pushed events. Put a new key first in "
        "ZONEBOOK_FIELD_KEYS, restart the service, run `keys rotate`, and take the old keys away. "
        "Exit status: 0 done, 1 some code cannot be read."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parts = parser.add_subparsers(dest="part", required=True, metavar="rotate")
        parts.add_parser("rotate", help="encrypt every code again under the first key of ZONEBOOK_FIELD_KEYS")

    def handle(self, *args: Any, **options: Any) -> None:
        done = secrets_rotate()
        now = "is now encrypted" if done.count == 1 and not done.subscriptions else "are now encrypted"
        signing = f" and {counted(done.subscriptions, 'signing secret')}" if done.subscriptions else ""
        said = f"{counted(done.count, 'code')}{signing} {now} under the first key of ZONEBOOK_FIELD_KEYS."
        lost = [
            *(f"  {one.label} (secret {one.pk}, site {one.site_id})" for one in done.unreadable),
            *(f"  {one.name} (subscription {one.pk})" for one in done.unreadable_subscriptions),
        ]
        if not lost:
            self.stdout.write(f"{said} The other keys can go.")
            return
        self.stdout.write(said)
        names = "\n".join(lost)
        raise CommandError(
            f"No key opens {counted(len(lost), 'code')}. Give the key that wrote it, or write the "
            f"code again (of a subscription, replace its secret):\n{names}"
        )
