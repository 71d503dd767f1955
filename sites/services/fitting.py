"""What an operation's values must be beyond their types: a model of the right kind, a value with its
basis."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sites.changes.errors import refuse
from sites.models import Basis, DeviceModel


def require_kind(model: DeviceModel | None, *kinds: DeviceModel.Kind) -> None:
    """Refuse a model that is another kind of device."""
    if model is not None and model.kind not in kinds:
        wanted = " or ".join(kind.label for kind in kinds)
        detail = f"{model.name} is a {model.get_kind_display()}; expected a {wanted}."
        raise refuse(detail, code="wrong_kind", path="/model_id")


def with_basis(given: Mapping[str, Any], value: str, basis: str) -> dict[str, Any]:
    """``given``, where a value comes with how it is known, and a blank value is unknown."""
    completed = dict(given)
    if value in given and given[value] is None:
        completed[basis] = Basis.UNKNOWN
    elif given.get(value) is not None and given.get(basis, Basis.UNKNOWN) == Basis.UNKNOWN:
        words = "guessed, drawing, marked or measured"
        raise refuse(f"Say how {value} is known: {basis} {words}.", code="required", path=f"/{basis}")
    elif basis in given and value not in given:
        raise refuse(f"{basis} comes with {value}.", code="required", path=f"/{value}")
    return completed
