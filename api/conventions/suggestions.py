"""A name that is not known, and the one that was probably meant."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """`` Did you mean length_m?`` for ``length``; empty where nothing is close."""
    close = difflib.get_close_matches(name, list(known), n=1, cutoff=0.6)
    return f" Did you mean {close[0]}?" if close else ""


def listed(names: Iterable[str], *, most: int = 40) -> str:
    """The names in order, as a sentence lists them; a long list is cut, and says so."""
    ordered = sorted(names)
    cut = "" if len(ordered) <= most else f" and {len(ordered) - most} more"
    return ", ".join(ordered[:most]) + cut


def ended(sentence: str) -> str:
    """The sentence with its stop, unless it ends with a question."""
    return sentence if sentence.endswith((".", "?", "!")) else f"{sentence}."
