"""Conductors against published tables."""

import numpy as np
import pytest

from zones.electrical.conductors import (
    CATEGORY_MAXIMUM_OHM_PER_M,
    FOOT_M,
    awg_diameter_m,
    length_of_loop_m,
    loop_resistance_ohm,
    resistance_ohm_per_m,
)

# ASTM B258 with IEC 60028; NBS Handbook 100, Copper Wire Tables. Values from memory of the printed tables.
SOLID_20_C_OHM_PER_1000_FT = {
    16: 4.016,
    18: 6.385,
    20: 10.15,
    22: 16.14,
    23: 20.36,
    24: 25.67,
    26: 40.81,
}
# NEC Chapter 9 Table 8, solid uncoated copper. Values from memory.
SOLID_75_C_OHM_PER_1000_FT = {14: 3.07, 16: 4.89, 18: 7.77}
# ASTM B258, table of diameters in inches. Values from memory.
DIAMETER_INCH = {
    14: 0.0641,
    16: 0.0508,
    18: 0.0403,
    20: 0.0320,
    22: 0.0253,
    23: 0.0226,
    24: 0.0201,
    26: 0.0159,
}


@pytest.mark.parametrize(("awg", "ohm_per_1000_ft"), SOLID_20_C_OHM_PER_1000_FT.items())
def test_solid_copper_at_20_c_agrees_with_the_wire_tables(awg: int, ohm_per_1000_ft: float) -> None:
    # 0.1 % is the rounding of four digits; printed tables with rounded diameters differ by up to 0.6 %.
    assert resistance_ohm_per_m(awg) * 1000 * FOOT_M == pytest.approx(ohm_per_1000_ft, rel=0.001)


@pytest.mark.parametrize(("awg", "ohm_per_1000_ft"), SOLID_75_C_OHM_PER_1000_FT.items())
def test_solid_copper_at_75_c_agrees_with_the_electrical_code(awg: int, ohm_per_1000_ft: float) -> None:
    assert resistance_ohm_per_m(awg, 75.0) * 1000 * FOOT_M == pytest.approx(ohm_per_1000_ft, rel=0.002)


@pytest.mark.parametrize(("awg", "inch"), DIAMETER_INCH.items())
def test_diameters_agree_with_astm_b258(awg: int, inch: float) -> None:
    assert awg_diameter_m(awg) / 0.0254 == pytest.approx(inch, abs=0.00005)


def test_a_foot_is_the_international_one() -> None:
    # International yard and pound agreement of 1959.
    assert FOOT_M == 0.3048


@pytest.mark.parametrize(("standard", "ohm_per_100_m"), [("TIA-568", 9.38), ("IEC 61156-5", 9.5)])
def test_the_largest_category_cable_resistance_is_above_nominal_24_awg(
    standard: str, ohm_per_100_m: float
) -> None:
    # TIA-568 and IEC 61156-5, conductor resistance. Values from memory.
    assert CATEGORY_MAXIMUM_OHM_PER_M[standard] * 100 == pytest.approx(ohm_per_100_m)
    excess = CATEGORY_MAXIMUM_OHM_PER_M[standard] / resistance_ohm_per_m(24)
    assert 1.11 < excess < 1.13


def test_a_shorted_pair_tells_its_distance() -> None:
    # Loop resistance measurement, R / 2R', with the resistance of ASTM B258 and IEC 60028.
    assert length_of_loop_m(24, 3.369) == pytest.approx(20.0, rel=0.005)
    assert loop_resistance_ohm(24, 20.0) == pytest.approx(3.369, rel=0.005)


def test_loops_take_arrays_and_share_current_among_paralleled_pairs() -> None:
    loops = loop_resistance_ohm([24, 18], [[10.0], [20.0]], parallel_pairs=[1, 2], temperature_c=75)
    assert loops.shape == (2, 2)
    np.testing.assert_allclose(loops[1], 2 * loops[0])
    assert loops[0, 1] == pytest.approx(2 * resistance_ohm_per_m(18, 75) * 10 / 2)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: resistance_ohm_per_m(41), "awg is 41: expected 0 to 40"),
        (lambda: resistance_ohm_per_m(float("nan")), "awg is nan"),
        (lambda: resistance_ohm_per_m(24, -300), "temperature_c is -300: expected -80 to 200"),
        (lambda: loop_resistance_ohm(24, [1.0, -2.0]), "length_m is -2: expected at least 0"),
        (lambda: loop_resistance_ohm(24, 1.0, parallel_pairs=0), "parallel_pairs is 0: expected at least 1"),
        (lambda: length_of_loop_m(24, float("inf")), "loop_resistance_ohm is inf"),
    ],
)
def test_what_no_conductor_can_be_is_refused(call: object, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()  # type: ignore[operator]
