"""Small words that sheets and surveys are made of."""

from __future__ import annotations

from collections.abc import Iterable, Sequence


def listed(words: Sequence[str], most: int | None = None) -> str:
    """Words as one says them: ``a``, ``a and b``, ``a, b and c``; beyond `most`, how many more there are.

    >>> listed(["a", "b", "c"]), listed(["a", "b", "c"], most=1)
    ('a, b and c', 'a and 2 more')
    """
    shown = list(words if most is None else words[:most])
    if most is not None and len(words) > most:
        shown.append(f"{len(words) - most} more")
    return " and ".join([", ".join(shown[:-1]), shown[-1]] if len(shown) > 1 else shown)


def numbers(given: Iterable[int]) -> str:
    """Rows as one says them: three and more in a row by their ends.

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


def counted(count: int, one: str, several: str = "") -> str:
    """``1 segment``, ``3 segments``.

    >>> counted(1, "segment"), counted(2, "switch", "switches")
    ('1 segment', '2 switches')
    """
    return f"{count} {one if count == 1 else several or one + 's'}"


def capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def lower(text: str) -> str:
    """A title inside a sentence; PoE stays as it is."""
    return text if text.startswith("PoE") else text[:1].lower() + text[1:]
