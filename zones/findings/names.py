"""What people call the things that attributions speak of: one query, however many kinds of things."""

from __future__ import annotations

from collections.abc import Iterable

from zones.subjects import key_of, look_up

from .changes_at_step import Reference


def names_of(references: Iterable[Reference]) -> dict[Reference, str]:
    """``supply PS 1``, ``output 2 of GW 1``, ``zone Gangway``; whatever is not there is left out."""
    named = look_up((reference.kind, reference.id) for reference in references)
    return {Reference(*key): one.name for key, one in named.items()}


def of_subject(kind: int, subject_id: int) -> Reference:
    """The reference by which a subject of a limit is named."""
    return Reference(*key_of((kind, subject_id)))
