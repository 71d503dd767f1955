"""Values with their units, in as many digits as the unit deserves."""

from __future__ import annotations

import functools
import math
from typing import Final

from zones.electrical.conductors import FOOT_M

# Digits after the point; of the last four, zeros at the end are left out
_DIGITS: Final = {"A": 2, "V": 1, "dB": 1, "W": 1, "Ω": 1, "m": 1, "ft": 1}
_WITHOUT_ZEROS: Final = {"W", "Ω", "m", "ft", ""}
_MOST_DIGITS: Final = 9


@functools.lru_cache(4096)  # a sentence, a title and a band name the same value
def amount(
    value: float,
    unit: str,
    *,
    decimals: int | None = None,
    apart_from: float | None = None,
    length_unit: str = "m",
) -> str:
    """A value with its unit; in more digits where it would else look like ``apart_from``. length_unit: in
    which a length in metres is shown (``Site.LengthUnit``).

    >>> amount(1.6, "A"), amount(60.0, "W"), amount(1.602, "A", apart_from=1.6), amount(3.0, "")
    ('1.60 A', '60 W', '1.602 A', '3')
    >>> amount(30.48, "m"), amount(30.48, "m", length_unit="ft"), amount(1.6, "A", length_unit="ft")
    ('30.5 m', '100 ft', '1.60 A')
    """
    if unit == "m" and length_unit == "ft":
        value, unit = value / FOOT_M, "ft"
        apart_from = None if apart_from is None else apart_from / FOOT_M
    digits = _DIGITS.get(unit, 1) if decimals is None else decimals
    text = _digits(value, digits, unit)
    if apart_from is not None and not math.isclose(value, apart_from, rel_tol=1e-9):
        while text == _digits(apart_from, digits, unit) and digits < _MOST_DIGITS:
            digits += 1
            text = _digits(value, digits, unit)
    return f"{text} {unit}".strip()


def percent(fraction: float) -> str:
    """A fraction in whole percent.

    >>> percent(0.163)
    '16 %'
    """
    return f"{100 * fraction:.0f} %"


def _digits(value: float, digits: int, unit: str) -> str:
    text = f"{value:.{digits}f}"
    if unit in _WITHOUT_ZEROS and "." in text:
        text = text.rstrip("0").rstrip(".")
    return text.replace("-", "−") if float(text) else text.removeprefix("-")
