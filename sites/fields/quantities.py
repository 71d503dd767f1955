"""Quantities that stand in several tables."""

from __future__ import annotations

from typing import Any

from .values import QuantityField, WholeField


def current(text: str = "") -> QuantityField:
    """What one speaker or horn draws from its DC."""
    return QuantityField(unit="A", minimum=0, maximum=20, null=True, help_text=text)


def length(text: str = "") -> QuantityField:
    """How long a cable is."""
    return QuantityField(unit="m", minimum=0, maximum=10_000, null=True, help_text=text)


def share(text: str) -> QuantityField:
    """A part of a whole, as a fraction."""
    return QuantityField(above=0, maximum=1, null=True, help_text=text)


def temperature(text: str = "", **kwargs: Any) -> QuantityField:
    """At which the resistance of conductors is computed."""
    return QuantityField(unit="°C", minimum=-60, maximum=90, help_text=text, **kwargs)


def rating(unit: str, maximum: float, text: str = "", **kwargs: Any) -> QuantityField:
    """A rating above zero; null where it is not recorded."""
    return QuantityField(unit=unit, above=0, maximum=maximum, null=True, help_text=text, **kwargs)


def power(maximum: float, text: str = "", **kwargs: Any) -> QuantityField:
    """Power drawn or allocated; null where it is not recorded."""
    return QuantityField(unit="W", minimum=0, maximum=maximum, null=True, help_text=text, **kwargs)


def tap(**kwargs: Any) -> QuantityField:
    """The power of a transformer tap."""
    return QuantityField(unit="W", above=0, maximum=500, **kwargs)


def line_voltage(**kwargs: Any) -> QuantityField:
    """The voltage of a constant-voltage line."""
    return QuantityField(unit="V", above=0, maximum=250, **kwargs)


def poe_class(**kwargs: Any) -> WholeField:
    return WholeField(minimum=0, maximum=8, null=True, **kwargs)


def port_type(text: str) -> WholeField:
    """IEEE 802.3 type of a port that powers devices."""
    return WholeField(minimum=1, maximum=4, null=True, verbose_name="port type", help_text=text)


def power_supplies(text: str, **kwargs: Any) -> WholeField:
    """How many power supplies a switch has, or takes."""
    return WholeField(minimum=1, maximum=16, null=True, help_text=text, **kwargs)


def port_count(**kwargs: Any) -> WholeField:
    """How many ports a switch has."""
    return WholeField(minimum=0, maximum=512, **kwargs)


def block_row(**kwargs: Any) -> WholeField:
    """A row of a termination block, or how many rows it has."""
    return WholeField(minimum=1, maximum=400, **kwargs)


def pairs(**kwargs: Any) -> WholeField:
    """A pair of a cable by its number, or how many are paralleled."""
    return WholeField(minimum=1, maximum=25, **kwargs)


def device_count() -> WholeField:
    """How many devices an uncounted group may hold."""
    return WholeField(minimum=0, maximum=1000, null=True)
