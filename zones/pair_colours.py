"""The colours of telephone pairs (ANSI/ICEA colour code of 25-pair cable)."""

from __future__ import annotations

FIRST_COLOURS = ("white", "red", "black", "yellow", "violet")
SECOND_COLOURS = ("blue", "orange", "green", "brown", "slate")


def pair_colours(pair: int) -> tuple[str, str]:
    """The colours of the first and the second conductor of a pair, 1 to 25.

    >>> pair_colours(1), pair_colours(7), pair_colours(25)
    (('white', 'blue'), ('red', 'orange'), ('violet', 'slate'))
    """
    if not 1 <= pair <= 25:
        raise ValueError(f"pair {pair}: expected 1 to 25")
    group, place = divmod(pair - 1, 5)
    return FIRST_COLOURS[group], SECOND_COLOURS[place]


def colour_in_cable(pair: int, *, first: bool, paired: bool = True, colours: str = "") -> str:
    """The colour of a conductor by its cable type. paired: a cable of pairs, which has the 25-pair code, or
    one that is not recorded; any other has the ``colours`` that its type says, else none: a blank.

    >>> colour_in_cable(1, first=False, paired=False, colours="black, red")
    'red'
    >>> colour_in_cable(1, first=True, paired=False)
    ''
    """
    if paired:
        return conductor_colour(pair, first=first)
    named = [colour.strip() for colour in colours.split(",")]
    place = 0 if first else 1
    return named[place] if place < len(named) else ""


def conductor_colour(pair: int, *, first: bool) -> str:
    """The colour of one conductor: its own, then its band's.

    >>> conductor_colour(1, first=True), conductor_colour(1, first=False)
    ('white-blue', 'blue-white')
    """
    own, band = pair_colours(pair) if first else reversed(pair_colours(pair))
    return f"{own}-{band}"
