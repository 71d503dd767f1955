"""Lists, counts and capitals for every sentence that the service writes."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from typing import Final

LONGEST_GUESSED: Final = 200
"""Longer words are not misspelt names, and comparing them takes long."""


def listed(words: Sequence[str], most: int | None = None) -> str:
    """Words as a list with commas and "and"; beyond `most`, how many more there are.

    >>> listed(["a", "b", "c"]), listed(["a", "b", "c"], most=1)
    ('a, b and c', 'a and 2 more')
    """
    shown = list(words if most is None else words[:most])
    if most is not None and len(words) > most:
        shown.append(f"{len(words) - most} more")
    return " and ".join([", ".join(shown[:-1]), shown[-1]] if len(shown) > 1 else shown)


def numbers(given: Iterable[int]) -> str:
    """Row numbers as a list; three and more in sequence by their ends.

    >>> numbers([4, 1, 2, 3, 7]), numbers([1, 2])
    ('1 to 4 and 7', '1 and 2')
    """
    groups: list[list[int]] = []
    for number in sorted(set(given)):
        if groups and number == groups[-1][-1] + 1:
            groups[-1].append(number)
        else:
            groups.append([number])
    words: list[str] = []
    for group in groups:
        words += [f"{group[0]} to {group[-1]}"] if len(group) > 2 else [str(number) for number in group]
    return listed(words)


def counted(count: float, one: str, several: str = "") -> str:
    """A count with its noun inflected.

    >>> counted(1, "segment"), counted(2, "switch", "switches"), counted(2.5, "speaker")
    ('1 segment', '2 switches', '2.5 speakers')
    >>> counted(1_234_567, "point")
    '1234567 points'
    """
    return f"{count:.12g} {plural(count, one, several)}"


def plural(count: float, one: str, several: str = "") -> str:
    """The form of a noun or verb that goes with a count.

    >>> plural(1, "is", "are"), plural(0, "zone")
    ('is', 'zones')
    """
    return one if count == 1 else several or f"{one}s"


def by_whom(done_by: str, recorded_by: str, *said: str) -> str:
    """Who did a piece of work, what else is ``said`` of it, and who recorded it where that is another.

    >>> by_whom("Hallam Crew", "R. Vale", "job J-7"), by_whom("", "R. Vale", "")
    ('Hallam Crew, job J-7, recorded by R. Vale', 'R. Vale')
    """
    other = done_by not in ("", recorded_by)
    words = [done_by or recorded_by, *said, f"recorded by {recorded_by}" if other else ""]
    return ", ".join(filter(None, words))


def with_article(noun: str) -> str:
    """A noun with its indefinite article, by its first letter.

    >>> with_article("amplifier"), with_article("low-impedance run")
    ('an amplifier', 'a low-impedance run')
    """
    return f"{'an' if noun[:1].lower() in 'aeio' else 'a'} {noun}"


def within_building(building: str, floor: str, room: str) -> str:
    """Where in a building something is; what is not recorded is left out.

    >>> within_building("Terminal", "0", "comms room"), within_building("", "", "B1")
    ('Terminal, floor 0, comms room', 'B1')
    """
    return ", ".join(filter(None, (building, floor and f"floor {floor}", room)))


def did_you_mean(word: str, known: Iterable[str], most: int = 1) -> str:
    """A question for the words that are known and close to one that is not; nothing where none is.

    >>> did_you_mean("suply", ["supply", "zone"]), did_you_mean("x", ["supply"])
    (' Did you mean supply?', '')
    """
    close = _close(word, known, most)
    return f" Did you mean {' or '.join(close)}?" if close else ""


def perhaps(word: str, known: Iterable[str]) -> str:
    """The same as the end of a clause.

    >>> perhaps("suply", ["supply", "zone"]), perhaps("x", ["supply"])
    ('; did you mean supply?', '')
    """
    close = _close(word, known, 1)
    return f"; did you mean {close[0]}?" if close else ""


def _close(word: str, known: Iterable[str], most: int) -> list[str]:
    if len(word) > LONGEST_GUESSED:
        return []
    names = {name.casefold(): name for name in known}
    return [names[near] for near in difflib.get_close_matches(word.casefold(), list(names), n=most)]


def shortened(text: str, most: int = 60) -> str:
    """A text that somebody sent, as an error repeats it: the beginning of a long one.

    >>> shortened("Gangway"), shortened("x" * 100, most=10)
    ('Gangway', 'xxxxxxxxx…')
    """
    return text if len(text) <= most else f"{text[: most - 1]}…"


def capital(text: str) -> str:
    """The sentence with a capital letter at its beginning."""
    return text[:1].upper() + text[1:]


def lower_first(text: str) -> str:
    """A title inside a sentence; abbreviations stay as they are.

    >>> lower_first("Supply current"), lower_first("PoE allocated")
    ('supply current', 'PoE allocated')
    """
    return text if text[:2].isupper() or text.startswith("PoE") else text[:1].lower() + text[1:]
