"""What rooms above do when the record changes: they register here, and this room knows nothing of them."""

from __future__ import annotations

from collections.abc import Callable

from sites.models.changes import ChangeSet

Listener = Callable[[ChangeSet], None]

_accepted: list[Listener] = []


def on_accepted(listener: Listener) -> Listener:
    """Have ``listener`` called with each accepted change set, in its transaction, once its rows are written.

    What it writes is committed or rolled back with them; what must wait goes into ``transaction.on_commit``.
    """
    if listener not in _accepted:
        _accepted.append(listener)
    return listener


def tell_accepted(change_set: ChangeSet) -> None:
    for listener in _accepted:
        listener(change_set)
