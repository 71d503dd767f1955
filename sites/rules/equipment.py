"""Rules of devices, their models, their values and the ports they are patched to."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from sites.changes.errors import Problem, refuse, require
from sites.models import Basis, DeviceModel, EndpointFacts
from sites.wording import with_article

_KIND = DeviceModel.Kind
MODELS: dict[str, tuple[DeviceModel.Kind, ...]] = {
    "switch": (_KIND.SWITCH,),
    "supply": (_KIND.SUPPLY,),
    "amplifier": (_KIND.AMPLIFIER,),
    "endpoint": (_KIND.GATEWAY, _KIND.NETWORK_SPEAKER, _KIND.NETWORK_AMPLIFIER),
    "point": (_KIND.CEILING_SPEAKER, _KIND.WALL_SPEAKER, _KIND.HORN),
}
"""Which kinds of device model each kind of thing can be of."""


def model_fits(fitting: Sequence[DeviceModel.Kind], model: str, kind: str | None) -> Iterator[Problem]:
    """A thing is of a model of its own kind. ``fitting``: of ``MODELS``; ``kind``: the model's, None where
    there is no model."""
    if kind is not None and kind not in fitting:
        wanted = " or ".join(one.label for one in fitting)
        detail = f"{model} is {with_article(_KIND(kind).label)}; expected {with_article(wanted)}."
        yield Problem(detail, "wrong_kind", "/model_id")


def require_model(thing: str, model: DeviceModel | None) -> None:
    """Refuse a model that is another kind of device than ``thing``, one of ``MODELS``."""
    if model is not None:
        require(model_fits(MODELS[thing], model.name, model.kind))


def basis_fits(value_name: str, value: float | None, basis_name: str, basis: int) -> Iterator[Problem]:
    """A value comes with how it is known, and an unknown one with none."""
    if value is not None and basis == Basis.UNKNOWN:
        words = "guessed, drawing, marked or measured"
        yield Problem(f"Say how {value_name} is known: {basis_name} {words}.", "required", f"/{basis_name}")
    if value is None and basis != Basis.UNKNOWN:
        yield Problem(f"{basis_name} comes with {value_name}.", "required", f"/{value_name}")


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


def power_fits(*, on_port: bool, power_source: str) -> Iterator[Problem]:
    """A device on a switch port is powered from it."""
    if on_port and power_source != EndpointFacts.PowerSource.PORT:
        yield Problem("A device on a port has power_source port.", "invalid", "/power_source")


class Held(NamedTuple):
    """A device on a port from a moment until another (None: still). Moments are any values that can be
    ordered."""

    device: str
    begin: Any
    end: Any = None


def port_is_free(port: str, held: Held, others: Iterable[Held]) -> Iterator[Problem]:
    """A port has one device at a time. ``others``: the other devices that are ever on it."""
    for other in others:
        if (other.end is None or held.begin < other.end) and (held.end is None or other.begin < held.end):
            yield Problem(f"{port} is taken by {other.device}.", "taken", "/port_id")
