"""Columns and constraints that many tables of the record share, for the migrations that create them."""

from __future__ import annotations

from typing import Any

from django.db import models
from django.db.models.functions import Lower

from sites import fields

Column = tuple[str, Any]


def row_id() -> Column:
    return "id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")


def placed() -> list[Column]:
    """Of a thing that stands from a step until it ends."""
    return [
        row_id(),
        ("site", fields.OfSite("sites.site")),
        ("change_set", fields.WriterKey("sites.changeset")),
        ("begin_step", fields.StepField()),
        ("end_step", fields.StepField(null=True)),
    ]


def dated(*thing: str) -> list[Column]:
    """Of dated facts. ``thing``: the columns that say whose they are."""
    key = models.CompositePrimaryKey(
        *thing, "step", blank=True, editable=False, primary_key=True, serialize=False
    )
    return [
        ("change_set", fields.WriterKey("sites.changeset")),
        ("site", fields.OfSite("sites.site", db_constraint=False)),
        ("step", fields.StepField()),
        ("pk", key),
    ]


def quantity(name: str, unit: str = "", **bounds: float) -> Column:
    """A number that may not be recorded."""
    return name, fields.QuantityField(blank=True, null=True, unit=unit, **bounds)


def whole(name: str, unit: str = "", **bounds: float) -> Column:
    """A whole number that may not be recorded."""
    return name, fields.WholeField(blank=True, null=True, unit=unit, **bounds)


def basis(name: str, default: int = 0) -> Column:
    return name, fields.NumberedWordField(
        ["unknown", "guessed", "drawing", "marked", "measured"], default=default
    )


def of_site(table: str) -> models.UniqueConstraint:
    """What the keys of other rows refer to, which hold them to the same site."""
    return models.UniqueConstraint(fields=("site", "id"), name=f"{table}_of_site")


def name_once(table: str) -> models.UniqueConstraint:
    """Of what stands on a site, one has a name."""
    return standing_once("site", Lower("name"), name=f"{table}_name_once_a_site")


def standing_once(of: str, what: Any, name: str) -> models.UniqueConstraint:
    ended = models.Q(("end_step__isnull", True))
    return models.UniqueConstraint(models.F(of), what, condition=ended, name=name)
