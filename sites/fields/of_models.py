"""The fields of a model that a person states."""

from __future__ import annotations

from django.db import models

from .fact import Fact
from .keys import SharedKey, SiteKey


def facts_of(model: type[models.Model], *but: str) -> tuple[str, ...]:
    """The fields of a model that a person states: its facts and its references, but for the key, the site,
    and those of ``but``."""
    left_out = {*but, *getattr(model._meta.pk, "field_names", ())}
    return tuple(
        field.name
        for field in model._meta.local_fields
        if isinstance(field, Fact | SiteKey | SharedKey) and not left_out & {field.name, field.attname}
    )


def columns_of(model: type[models.Model], *but: str) -> tuple[str, ...]:
    """The same by the names under which they are shown: a reference by the id of its row."""
    shown = {field.name: field.attname for field in model._meta.local_fields}
    return tuple(shown[name] for name in facts_of(model, *but))
