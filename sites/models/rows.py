"""What is read many at a time: rows whose way from the database is short."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any, Self

from django.db import models
from django.db.models.base import ModelState


class Row(models.Model):
    class Meta:
        abstract = True

    @classmethod
    def from_db(
        cls, db: str | None, field_names: Collection[str], values: Collection[Any], **options: Any
    ) -> Self:
        """A row that was read, without the steps that only a new one needs: they take most of the time in
        which a long list is read."""
        if options:
            return super().from_db(db, field_names, values, **options)
        row = cls.__new__(cls)
        row.__dict__.update(zip(field_names, values, strict=True))
        state = row.__dict__["_state"] = ModelState()
        state.adding, state.db = False, db
        return row
