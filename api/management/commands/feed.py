"""`manage.py feed`: how far the feed of events has come; its epochs."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from api.events import publisher
from sites.models import Event, Feed


class Command(BaseCommand):
    help = (
        "The feed of events: what it has published, and what to do after the database was restored or copied."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parts = parser.add_subparsers(dest="part", required=True, metavar="status|new-epoch|release")
        parts.add_parser("status", help="say how far it has come, in which epoch, and whether it is held")
        parts.add_parser(
            "new-epoch",
            help="refuse all cursors that were given out, and hold what is pushed: for a copy of the "
            "database's files, which looks like the database itself (a restore is noticed without it)",
        )
        parts.add_parser("release", help="let events be pushed again, after a new epoch")

    def handle(self, *args: Any, **options: Any) -> None:
        done = {"status": publisher.feed_now, "new-epoch": publisher.new_epoch, "release": _release}
        self.stdout.write(_in_words(done[options["part"]]()))


def _release() -> Feed:
    publisher.release()
    return publisher.feed_now()


def _in_words(feed: Feed) -> str:
    waiting = Event.objects.filter(sequence__isnull=True).count()
    held = "" if feed.held_since is None else f" Held since {feed.held_since:%Y-%m-%d %H:%M} UTC."
    return (
        f"Epoch {feed.epoch}, after event {feed.began_after}. Published: {feed.published}. Kept: "
        f"{feed.published - feed.forgotten}. Waiting to be published: {waiting}.{held}"
    )
