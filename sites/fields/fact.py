"""What every field of the record has."""

from __future__ import annotations

from typing import Any, ClassVar

from django.core.exceptions import ValidationError
from django.db import models


class Fact(models.Field):
    """What every field of the record has: one parser, one sentence, one schema."""

    unit: str = ""
    minimum: float | None = None
    above: float | None = None
    maximum: float | None = None
    json_type: ClassVar[type | tuple[type, ...]] = str

    @property
    def expected(self) -> str:
        """What a value must be, as the end of a sentence."""
        raise NotImplementedError

    @property
    def schema(self) -> dict[str, Any]:
        """JSON Schema of a value that is not null."""
        raise NotImplementedError

    @property
    def sentence(self) -> str:
        """What the CHECK of the column says to a person."""
        return f"{self.name}: expected {self.expected}{', or null' if self.null else ''}."

    def parse(self, value: Any) -> Any:
        """The value that JSON says; ValidationError names what was expected."""
        if value is None and self.null:
            return None
        if isinstance(value, bool) is not (self.json_type is bool) or not isinstance(value, self.json_type):
            raise self._wrong()
        return self.clean(value, None)

    def write(self, value: Any) -> Any:
        """The JSON of a value."""
        return value

    def clean(self, value: Any, model_instance: models.Model | None) -> Any:
        """Django's check of one value, with one message: what was expected."""
        if value is None and self.null:
            return None
        try:
            return super().clean(value, model_instance)
        except ValidationError as error:
            raise self._wrong() from error

    def conditions(self, column: str) -> list[str]:  # noqa: ARG002 - of those that have some
        """SQL that a value of ``column`` fulfils."""
        return []

    def conditions_each(self, column: str) -> list[str]:
        """SQL that every item of the array ``column`` fulfils."""
        raise NotImplementedError

    def db_check(self, connection: Any) -> str | None:
        return " AND ".join(self.conditions(connection.ops.quote_name(self.column))) or None

    def deconstruct(self) -> Any:
        # Words for people are in no table: a migration keeps what makes the column
        name, path, args, kwargs = super().deconstruct()
        for word in ("help_text", "choices", "verbose_name"):
            kwargs.pop(word, None)
        return name, path, args, kwargs

    def _wrong(self) -> ValidationError:
        return ValidationError(f"expected {self.expected}", code="invalid")
