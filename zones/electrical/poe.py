"""Power over the data cable: classes, losses in the channel, allocation and expected shedding.

Sources: IEEE 802.3 clauses 33 and 145 (class powers, minimum PSE voltages, channel resistances), RFC 3621
(usage threshold, port priorities). The table is from memory of those documents; the tests check its values
against each other by the loss formula.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .bands import FloatArray, IntArray
from .figures import first_known

#                     class:  0      1     2     3      4     5    6    7    8
PSE_POWER_W = np.array([15.4, 4.0, 7.0, 15.4, 30.0, 45.0, 60.0, 75.0, 90.0])
PD_POWER_W = np.array([12.95, 3.84, 6.49, 12.95, 25.5, 40.0, 51.0, 62.0, 71.3])
PSE_MINIMUM_V = np.array([44.0, 44.0, 44.0, 44.0, 50.0, 50.0, 50.0, 52.0, 52.0])
CHANNEL_RESISTANCE_OHM = np.array([20.0, 20.0, 20.0, 20.0, 12.5, 6.25, 6.25, 6.25, 6.25])
POWERED_PAIRS = np.array([2, 2, 2, 2, 2, 4, 4, 4, 4])
MAX_CHANNEL_M = 100.0
"""Longest horizontal channel (TIA-568, ISO/IEC 11801)."""


def power_at_device(pse_power_w: ArrayLike, voltage_v: ArrayLike, resistance_ohm: ArrayLike) -> FloatArray:
    """P_PD = P − (P/V)²·R: the power at the device, from the power at its source.

    pse_power_w, voltage_v, resistance_ohm: any shapes that broadcast [W], [V], [Ω]. IEEE 802.3 clauses 33,
    145.

    >>> round(float(power_at_device(15.4, 44.0, 20.0)), 2)
    12.95
    """
    power = np.asarray(pse_power_w, float)
    lost = (power / np.asarray(voltage_v, float)) ** 2 * np.asarray(resistance_ohm, float)
    return np.asarray(power - lost)


def power_at_source(pd_power_w: ArrayLike, voltage_v: ArrayLike, resistance_ohm: ArrayLike) -> FloatArray:
    """P_PSE = V·(V − √(V² − 4·R·P_PD)) / 2R: the power at the source, from the power at the device.

    pd_power_w, voltage_v, resistance_ohm: any shapes that broadcast [W], [V], [Ω]; zero resistance loses
    nothing. Returns NaN where the channel cannot carry that power at any current.

    >>> from zones.electrical.conductors import loop_resistance_ohm
    >>> round(float(power_at_source(12.95, 44.0, loop_resistance_ohm(24, 60.0, parallel_pairs=2))), 2)
    13.42
    """
    power, voltage, resistance = np.broadcast_arrays(
        np.asarray(pd_power_w, float), np.asarray(voltage_v, float), np.asarray(resistance_ohm, float)
    )
    inside = voltage**2 - 4.0 * resistance * power
    root = np.sqrt(np.where(inside >= 0, inside, np.nan))
    # the same as V·(V − √)/2R, without the cancellation that loses digits as R goes to zero
    return np.asarray(2.0 * power * voltage / (voltage + root))


def allocation_w(poe_class: IntArray, granted_w: FloatArray) -> FloatArray:
    """Power allocated to a port: negotiated, else its class's; an unknown class (−1) counts as class 0.

    poe_class: (n,) 0..8 or −1; granted_w: (n,) [W], NaN where nothing was negotiated.

    >>> allocation_w(np.array([3, -1, 4]), np.array([np.nan, np.nan, 21.5])).tolist()
    [15.4, 15.4, 21.5]
    """
    return first_known(granted_w, PSE_POWER_W[np.maximum(poe_class, 0)])


@dataclass(frozen=True)
class Shedding:
    """shed: (n,) True for ports expected to lose power; remaining_w: allocation of the other ports [W]."""

    shed: NDArray[np.bool_]
    remaining_w: float


def expected_shedding(
    allocated_w: FloatArray, priority: IntArray, port_number: IntArray, budget_w: float
) -> Shedding:
    """The ports of one switch that are expected to lose power when its budget does not suffice: low priority
    first, then the highest port number. Many switches refuse the newest port instead.

    allocated_w: (n,) [W]; priority: (n,) 0 critical, 1 high, 2 low (RFC 3621 pethPsePortPowerPriority, less
    one); port_number: (n,); budget_w: [W].

    >>> asked_w = np.array([15.4, 15.4, 15.4])
    >>> expected_shedding(asked_w, np.array([0, 2, 2]), np.array([1, 2, 3]), 31.0).shed.tolist()
    [False, False, True]
    """
    keep_order = np.lexsort((port_number, priority))
    running = np.cumsum(allocated_w[keep_order])
    kept = running <= budget_w * (1 + 1e-12)
    # every port behind the first one that does not fit is shed: shedding starts at the end of the order
    kept = np.logical_and.accumulate(kept)
    shed = np.ones(len(allocated_w), np.bool_)
    shed[keep_order[kept]] = False
    return Shedding(shed=shed, remaining_w=float(allocated_w[~shed].sum()))
