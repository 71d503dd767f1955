"""The rule of time: nothing outlasts what it names."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from sites.changes.errors import Problem


def ends_after_its_users(thing: str, end: Any, user: str, until: Any) -> Iterator[Problem]:
    """A thing stands as long as what names it. ``end``, ``until``: moments that can be ordered, of the thing
    and of its user; None: still."""
    if end is not None and (until is None or until > end):
        yield Problem(f"{thing} is still used by {user}: see to these first.", "in_use")
