"""Kinds of things that figures are about. The numbers are stored: add at the end, never renumber."""

from __future__ import annotations

from enum import IntEnum


class SubjectKind(IntEnum):
    RUN = 1
    OUTPUT = 2
    SUPPLY = 3
    AMPLIFIER = 4
    SWITCH = 5
    PORT = 6
    ENDPOINT = 7
    BLOCK = 8
    SITE = 9

    @property
    def word(self) -> str:
        return self.name.lower()


Subject = tuple[int, int]
"""Subject kind, and the record's id of the subject."""
