"""Resistance of copper conductors and of loops of them.

Sources: ASTM B258 (diameter of a gauge), IEC 60028 (resistivity of annealed copper at 20 °C, and how it
rises with temperature), TIA-568 and IEC 61156-5 (largest resistance of a category-cable conductor).
Every function takes numbers or arrays that broadcast against one another and returns float64.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FOOT_M = 0.3048
"""One foot [m], exactly (international yard and pound agreement, 1959)."""

COPPER_RESISTIVITY_OHM_M = 1e-6 / 58
"""Annealed copper at 20 °C [Ω·m]: 1/58 Ω·mm²/m (IEC 60028)."""

COPPER_COEFFICIENT_PER_K = 0.00393
"""Relative rise of copper's resistance per kelvin, referred to 20 °C (IEC 60028)."""

CATEGORY_MAXIMUM_OHM_PER_M = {"TIA-568": 0.0938, "IEC 61156-5": 0.095}
"""Largest resistance of one conductor of a category cable at 20 °C [Ω/m], by standard."""

COLD_C = 20.0
"""Below this the high estimate takes conductors only where the run's own temperature is recorded [°C]."""

AWG_THICKEST, AWG_THINNEST = 0, 40
"""Accepted gauges. ASTM B258 has thicker and thinner ones, which are not used for paging."""

COLDEST_C, HOTTEST_C = -80.0, 200.0
"""Range in which the linear temperature law of copper is good to about 1 % [°C]."""


def awg_diameter_m(awg: ArrayLike) -> NDArray[np.float64]:
    """Diameter of a solid wire [m]: d = 0.005 in · 92^((36 − n)/39), ASTM B258.

    awg: any shape, 0 to 40 [gauge number]. Raises ValueError outside.

    No. 36 is 0.0050 in by definition; the standard's table has 0.0201 in for No. 24 and 0.3249 in for No. 0:

    >>> (awg_diameter_m([36, 24, 0]) / 0.0254).round(4).tolist()
    [0.005, 0.0201, 0.3249]
    """
    gauge = _within("awg", awg, AWG_THICKEST, AWG_THINNEST)
    return np.asarray(0.005 * 0.0254 * 92.0 ** ((36.0 - gauge) / 39.0))


def awg_area_m2(awg: ArrayLike) -> NDArray[np.float64]:
    """Cross section of a solid wire [m²]: A = π d² / 4, ASTM B258.

    awg: any shape, 0 to 40 [gauge number]. Raises ValueError outside.

    No. 24 is 404 circular mils, of π/4 · (0.001 in)² each:

    >>> round(float(awg_area_m2(24)) / (np.pi / 4 * 0.0000254**2))
    404
    """
    return np.asarray(np.pi / 4.0 * awg_diameter_m(awg) ** 2)


def temperature_factor(temperature_c: ArrayLike) -> NDArray[np.float64]:
    """Resistance of copper relative to that at 20 °C [1]: 1 + 0.00393 · (T − 20), IEC 60028.

    temperature_c: any shape, −80 to 200 [°C]. Raises ValueError outside.

    At 75 °C, the temperature of NEC Chapter 9 Table 8:

    >>> temperature_factor([20, 75]).round(5).tolist()
    [1.0, 1.21615]
    """
    temperature = _within("temperature_c", temperature_c, COLDEST_C, HOTTEST_C)
    return np.asarray(1.0 + COPPER_COEFFICIENT_PER_K * (temperature - 20.0))


def resistance_ohm_per_m(awg: ArrayLike, temperature_c: ArrayLike = 20.0) -> NDArray[np.float64]:
    """Resistance of one solid copper conductor [Ω/m]: ρ20 / A · (1 + 0.00393 · (T − 20)).

    awg: any shape, 0 to 40 [gauge number]; temperature_c: any shape, −80 to 200 [°C]. Raises ValueError
    outside. ASTM B258 and IEC 60028. A given cable may have more: see `CATEGORY_MAXIMUM_OHM_PER_M`.

    NEC Chapter 9 Table 8 has 3.07, 4.89 and 7.77 Ω per 1000 ft for solid uncoated 14, 16 and 18 AWG at 75 °C;
    it rounds diameters first, hence 0.2 %:

    >>> per_1000_ft = resistance_ohm_per_m([14, 16, 18], 75) * 1000 * FOOT_M
    >>> bool(np.allclose(per_1000_ft, [3.07, 4.89, 7.77], rtol=0.002))
    True
    """
    return np.asarray(COPPER_RESISTIVITY_OHM_M / awg_area_m2(awg) * temperature_factor(temperature_c))


def design_temperature_c(site_c: ArrayLike, run_c: ArrayLike = np.nan) -> NDArray[np.float64]:
    """(3, …) temperature at which low, likely and high take the conductors [°C]: the run's own, else the
    site's; high is below 20 °C only where the run's own is recorded. Common practice, no source.

    site_c: any shape [°C]; run_c: any shape, of the warmest place on the run's route, NaN where it is not
    recorded [°C].

    >>> design_temperature_c([-25, -25, 35], [np.nan, -25, np.nan]).tolist()
    [[-25.0, -25.0, 35.0], [-25.0, -25.0, 35.0], [20.0, -25.0, 35.0]]
    """
    site, run = np.asarray(site_c, np.float64), np.asarray(run_c, np.float64)
    likely = np.where(np.isnan(run), site, run)
    return np.stack([likely, likely, np.where(np.isnan(run), np.maximum(site, COLD_C), run)])


def loop_resistance_ohm(
    awg: ArrayLike, length_m: ArrayLike, *, parallel_pairs: ArrayLike = 1, temperature_c: ArrayLike = 20.0
) -> NDArray[np.float64]:
    """Resistance out and back of a segment of cable [Ω]: 2 · R′ · length / paralleled pairs.

    awg: any shape [gauge number]; length_m: any shape, not negative [m]; parallel_pairs: any shape, at
    least 1; temperature_c: any shape [°C]. Raises ValueError otherwise. ASTM B258 and IEC 60028.

    A shorted pair of 24 AWG reads 3.369 Ω at 20 m, and half of it where two pairs are paralleled:

    >>> loop_resistance_ohm(24, 20.0, parallel_pairs=[1, 2]).round(3).tolist()
    [3.369, 1.684]
    """
    length, pairs = _within("length_m", length_m, 0.0), _within("parallel_pairs", parallel_pairs, 1.0)
    return np.asarray(2.0 * resistance_ohm_per_m(awg, temperature_c) * length / pairs)


def length_of_loop_m(
    awg: ArrayLike,
    loop_resistance_ohm: ArrayLike,
    *,
    parallel_pairs: ArrayLike = 1,
    temperature_c: ArrayLike = 20.0,
) -> NDArray[np.float64]:
    """Distance at which a loop is closed [m]: R · paralleled pairs / (2 · R′).

    awg: any shape [gauge number]; loop_resistance_ohm: any shape, not negative [Ω]; parallel_pairs: any
    shape, at least 1; temperature_c: any shape [°C]. Raises ValueError otherwise. ASTM B258 and IEC 60028.
    Not for a constant-voltage line: to a DC meter its transformers look like a short.

    >>> round(float(length_of_loop_m(24, 3.369)), 1)
    20.0
    """
    resistance = _within("loop_resistance_ohm", loop_resistance_ohm, 0.0)
    pairs = _within("parallel_pairs", parallel_pairs, 1.0)
    return np.asarray(resistance * pairs / (2.0 * resistance_ohm_per_m(awg, temperature_c)))


def _within(
    name: str, values: ArrayLike, low: float, high: float = np.finfo(np.float64).max
) -> NDArray[np.float64]:
    array = np.asarray(values, dtype=np.float64)
    wrong = array[~((array >= low) & (array <= high))]
    if wrong.size:
        bounds = f"at least {low:g}" if high > 1e300 else f"{low:g} to {high:g}"
        raise ValueError(f"{name} is {wrong.flat[0]:g}: expected {bounds}")
    return array
