"""Days, yes or no, network addresses, and lists."""

from __future__ import annotations

import datetime as dt
import ipaddress
import re
from collections.abc import Callable
from typing import Any

from django.contrib.postgres.fields import ArrayField
from django.core.exceptions import ValidationError
from django.db import models

from .fact import Fact

FIRST_DAY, LAST_DAY = dt.date(1970, 1, 1), dt.date(2200, 12, 31)


class DayField(Fact, models.DateField):
    """A day; one range for all recorded days."""

    # Where it is left out, a trigger may give it
    db_returning = True
    json_type = (str, dt.date)
    expected = f"a day such as 2026-11-25, from {FIRST_DAY.year} to {LAST_DAY.year}"
    schema = {"type": "string", "format": "date"}

    def to_python(self, value: Any) -> Any:
        if isinstance(value, str) and not re.fullmatch(r"\d{4}-\d\d-\d\d", value):
            raise self._wrong()
        if isinstance(value, dt.datetime):
            raise self._wrong()
        return super().to_python(value)

    def write(self, value: Any) -> Any:
        return None if value is None else value.isoformat()

    def run_validators(self, value: Any) -> None:
        if not FIRST_DAY <= value <= LAST_DAY:
            raise self._wrong()

    def conditions(self, column: str) -> list[str]:
        return [f"{column} BETWEEN '{FIRST_DAY}' AND '{LAST_DAY}'"]


class FlagField(Fact, models.BooleanField):
    """Yes or no; null where it is not recorded."""

    json_type = bool
    expected = "true or false"
    schema = {"type": "boolean"}


class AddressField(Fact, models.GenericIPAddressField):
    """An address on a network, of either version of IP."""

    expected = "a network address such as 10.1.0.5 or 2001:db8::5"
    schema = {"type": "string"}

    def to_python(self, value: Any) -> Any:
        try:
            # A scope ("%eth0") means nothing on another machine
            return None if value is None or "%" in value else str(ipaddress.ip_address(value.strip()))
        except ValueError as error:
            raise self._wrong() from error

    def clean(self, value: Any, model_instance: models.Model | None) -> Any:
        if isinstance(value, str) and "%" in value:
            raise self._wrong()
        return super().clean(value, model_instance)

    def conditions(self, column: str) -> list[str]:
        return [f"{column} = host({column})::inet"]


class ListField(Fact, ArrayField):
    """A list of values of one kind, none of them blank."""

    json_type = (list, tuple)
    base_field: Fact

    def __init__(self, base_field: Fact, *, max_items: int, **kwargs: Any) -> None:
        self.max_items = max_items
        super().__init__(base_field, **kwargs)

    @property
    def expected(self) -> str:
        return f"a list of at most {self.max_items} items, each {self.base_field.expected}"

    @property
    def schema(self) -> dict[str, Any]:
        return {"type": "array", "items": self.base_field.schema, "maxItems": self.max_items}

    def parse(self, value: Any) -> Any:
        if not isinstance(value, list | tuple):
            raise self._wrong()
        return self._each(self.base_field.parse, value)

    def clean(self, value: Any, model_instance: models.Model | None) -> Any:
        return self._each(lambda item: self.base_field.clean(item, model_instance), value)

    def _each(self, read: Callable[[Any], Any], value: Any) -> list[Any]:
        try:
            if value is not None and len(value) <= self.max_items:
                return [read(item) for item in value]
        except ValidationError as error:
            raise self._wrong() from error
        raise self._wrong()

    def conditions(self, column: str) -> list[str]:
        return [
            f"cardinality({column}) <= {self.max_items}",
            f"array_position({column}, NULL) IS NULL",
            *self.base_field.conditions_each(column),
        ]

    def deconstruct(self) -> Any:
        name, path, args, kwargs = super().deconstruct()
        return name, path, args, {**kwargs, "max_items": self.max_items}
