"""Numbers with their bounds, and the quantities that stand in several tables."""

from __future__ import annotations

import math
from typing import Any, ClassVar

from django.db import models

from .fact import Fact


class _Number(Fact):
    def __init__(
        self,
        *args: Any,
        unit: str = "",
        minimum: float | None = None,
        above: float | None = None,
        maximum: float,
        **kwargs: Any,
    ) -> None:
        if (minimum is None) is (above is None):
            raise TypeError("a number has one lower bound: minimum or above")
        self.unit, self.minimum, self.above, self.maximum = unit, minimum, above, maximum
        super().__init__(*args, **kwargs)

    def set_attributes_from_name(self, name: str) -> None:
        # What people call it: its name without the unit, unless it says otherwise
        if not self.verbose_name:
            self.verbose_name = " ".join(name.split("_")[: -1 if self.unit else None])
        super().set_attributes_from_name(name)

    _kind: ClassVar[str] = "a number"
    _schema_type: ClassVar[str] = "number"

    @property
    def expected(self) -> str:
        if self.above is not None:
            bounds = f"above {self.above:g} and at most {self.maximum:g}"
        else:
            bounds = f"from {self.minimum:g} to {self.maximum:g}"
        return f"{self._kind} {bounds}{f' [{self.unit}]' if self.unit else ''}"

    @property
    def schema(self) -> dict[str, Any]:
        low = {"minimum": self.minimum} if self.above is None else {"exclusiveMinimum": self.above}
        return {"type": self._schema_type, **low, "maximum": self.maximum}

    def run_validators(self, value: Any) -> None:
        low = value >= self.minimum if self.above is None else value > self.above
        if not (low and value <= self.maximum):
            raise self._wrong()

    def conditions(self, column: str) -> list[str]:
        # NaN is above every number to PostgreSQL
        low = f"{column} >= {self.minimum:g}" if self.above is None else f"{column} > {self.above:g}"
        return [low, f"{column} <= {self.maximum:g}"]

    def conditions_each(self, column: str) -> list[str]:
        low = f"{self.minimum:g} <=" if self.above is None else f"{self.above:g} <"
        return [f"{low} ALL ({column})", f"{self.maximum:g} >= ALL ({column})"]

    def deconstruct(self) -> Any:
        name, path, args, kwargs = super().deconstruct()
        for word in ("unit", "minimum", "above", "maximum"):
            if getattr(self, word) not in (None, ""):
                kwargs[word] = getattr(self, word)
        return name, path, args, kwargs


class QuantityField(_Number, models.FloatField):
    """A number with its unit and the bounds that its trade could meet."""

    json_type = (int, float)

    def to_python(self, value: Any) -> Any:
        try:
            number = super().to_python(value)
        except OverflowError as error:
            raise self._wrong() from error
        if number is not None and not math.isfinite(number):
            raise self._wrong()
        return number


class WholeField(_Number, models.SmallIntegerField):
    """A count or a number of something, with bounds."""

    json_type = int
    _kind = "a whole number"
    _schema_type = "integer"


# --- quantities that stand in several tables ---


def current(text: str = "") -> QuantityField:
    """What one speaker or horn draws from its DC."""
    return QuantityField(unit="A", minimum=0, maximum=20, null=True, blank=True, help_text=text)


def length(text: str = "") -> QuantityField:
    """How long a cable is."""
    return QuantityField(unit="m", minimum=0, maximum=10_000, null=True, blank=True, help_text=text)


def rating(unit: str, maximum: float, text: str = "", **kwargs: Any) -> QuantityField:
    """A rating above zero; null where it is not recorded."""
    return QuantityField(unit=unit, above=0, maximum=maximum, null=True, blank=True, help_text=text, **kwargs)


def power(maximum: float, text: str = "", **kwargs: Any) -> QuantityField:
    """Power drawn or allocated; null where it is not recorded."""
    return QuantityField(
        unit="W", minimum=0, maximum=maximum, null=True, blank=True, help_text=text, **kwargs
    )


def tap(**kwargs: Any) -> QuantityField:
    """The power of a transformer tap."""
    return QuantityField(unit="W", above=0, maximum=500, **kwargs)


def line_voltage(**kwargs: Any) -> QuantityField:
    """The voltage of a constant-voltage line."""
    return QuantityField(unit="V", above=0, maximum=250, **kwargs)


def poe_class(**kwargs: Any) -> WholeField:
    return WholeField(minimum=0, maximum=8, null=True, blank=True, **kwargs)


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
    return WholeField(minimum=0, maximum=1000, null=True, blank=True)
