"""Formulas of audio lines: impedance of taps, level and loss.

Sources: audio handbooks (constant-voltage practice, impedance bridging), from memory where a test says so.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from .bands import FloatArray

DBU_REFERENCE_V = float(np.sqrt(0.6))
"""0 dBu: the voltage that puts 1 mW into 600 Ω, √0.6 V (audio handbooks)."""


def tap_impedance_ohm(line_voltage_v: ArrayLike, power_w: ArrayLike) -> FloatArray:
    """Z = V²/P of a tap, or of a whole line from the sum of its taps.

    line_voltage_v, power_w: any shapes that broadcast [V], [W].

    >>> tap_impedance_ohm(70.7, [1.0, 100.0]).round(2).tolist()
    [4998.49, 49.98]
    """
    return np.asarray(np.asarray(line_voltage_v, float) ** 2 / np.asarray(power_w, float))


def level_db(voltage_v: ArrayLike, reference_v: ArrayLike) -> FloatArray:
    """20·log10(V/Vref): the level of a voltage, and so the change in power delivered to a fixed load.

    voltage_v, reference_v: any shapes that broadcast [V].
    It is not efficiency (10·log10 of the power in the load over the power from the source).

    >>> round(float(level_db(10_000 / 10_600, 1.0)), 3)
    -0.506
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(20.0 * np.log10(np.asarray(voltage_v, float) / np.asarray(reference_v, float)))
