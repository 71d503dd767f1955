"""What an operation's values must be beyond their types: a model of the right kind, a value with its
basis."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sites.changes.errors import refuse, require
from sites.models import Basis, DeviceModel
from sites.rules.equipment import basis_fits, model_fits


def require_kind(model: DeviceModel | None, *kinds: DeviceModel.Kind) -> None:
    """Refuse a model that is another kind of device."""
    if model is not None:
        require(model_fits(kinds, model.name, model.kind))


def with_basis(given: Mapping[str, Any], value: str, basis: str) -> dict[str, Any]:
    """``given``, where a value comes with how it is known, and a blank value is unknown."""
    completed = dict(given)
    if value in given:
        if given[value] is None:
            completed.setdefault(basis, Basis.UNKNOWN)
        require(basis_fits(value, given[value], basis, completed.get(basis, Basis.UNKNOWN)))
    elif basis in given:
        raise refuse(f"{basis} comes with {value}.", code="required", path=f"/{value}")
    return completed
