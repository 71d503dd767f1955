"""DC supplies and amplifiers."""

from __future__ import annotations

import datetime as dt
from typing import TypedDict, Unpack

from sites.changes.operations import Use, operation
from sites.changes.work import Work, but, only
from sites.models import Amplifier, AmplifierFacts, Closet, DeviceModel, Supply, SupplyFacts

from .fitting import require_kind
from .uses import require_unused


class SupplyState(TypedDict, total=False):
    model: DeviceModel | None


class SupplyDetails(SupplyState, total=False):
    outlet: str
    breaker: str
    ups: str
    battery_installed_on: dt.date | None
    note: str


class SupplyAltered(SupplyDetails, total=False):
    name: str
    closet: Closet


_SUPPLY = tuple(SupplyState.__annotations__)


@operation("supply.add", "A DC supply is mounted in a closet.")
def supply_add(work: Work, *, closet: Closet, name: str, **details: Unpack[SupplyDetails]) -> Supply:
    require_kind(details.get("model"), DeviceModel.Kind.SUPPLY)
    supply = work.add(Supply(closet=closet, name=name, **but(details, _SUPPLY)))
    work.begin(SupplyFacts(supply=supply, **only(details, _SUPPLY)))
    return supply


@operation("supply.alter", "A DC supply is replaced by another model, or described otherwise.", use=Use.ANY)
def supply_alter(work: Work, *, supply: Supply, **altered: Unpack[SupplyAltered]) -> Supply:
    require_kind(altered.get("model"), DeviceModel.Kind.SUPPLY)
    work.alter(supply, but(altered, _SUPPLY))
    work.supersede(SupplyFacts, [supply.pk], only(altered, _SUPPLY))
    return supply


@operation("supply.correct", "The model recorded for a DC supply was wrong.", use=Use.CORRECTION)
def supply_correct(
    work: Work, *, supply: Supply, step: int | None = None, **state: Unpack[SupplyState]
) -> Supply:
    require_kind(state.get("model"), DeviceModel.Kind.SUPPLY)
    work.correct(SupplyFacts, [supply.pk], state, step=step)
    return supply


@operation("supply.end", "A DC supply is taken down.")
def supply_end(work: Work, *, supply: Supply) -> Supply:
    work.current(SupplyFacts, supply.pk)
    require_unused(work, supply)
    work.end(supply)
    return supply


class AmplifierState(TypedDict, total=False):
    model: DeviceModel | None
    line_voltage_v: float | None


class AmplifierDetails(AmplifierState, total=False):
    outlet: str
    breaker: str
    note: str


class AmplifierAltered(AmplifierDetails, total=False):
    name: str
    closet: Closet


_AMPLIFIER = tuple(AmplifierState.__annotations__)


@operation("amplifier.add", "An amplifier is mounted in a closet.")
def amplifier_add(work: Work, *, closet: Closet, name: str, **details: Unpack[AmplifierDetails]) -> Amplifier:
    require_kind(details.get("model"), DeviceModel.Kind.AMPLIFIER)
    amplifier = work.add(Amplifier(closet=closet, name=name, **but(details, _AMPLIFIER)))
    work.begin(AmplifierFacts(amplifier=amplifier, **only(details, _AMPLIFIER)))
    return amplifier


@operation(
    "amplifier.alter",
    "An amplifier is replaced, set to another line voltage, or described otherwise.",
    use=Use.ANY,
)
def amplifier_alter(work: Work, *, amplifier: Amplifier, **altered: Unpack[AmplifierAltered]) -> Amplifier:
    require_kind(altered.get("model"), DeviceModel.Kind.AMPLIFIER)
    work.alter(amplifier, but(altered, _AMPLIFIER))
    work.supersede(AmplifierFacts, [amplifier.pk], only(altered, _AMPLIFIER))
    return amplifier


@operation("amplifier.correct", "What is recorded of an amplifier was wrong.", use=Use.CORRECTION)
def amplifier_correct(
    work: Work, *, amplifier: Amplifier, step: int | None = None, **state: Unpack[AmplifierState]
) -> Amplifier:
    require_kind(state.get("model"), DeviceModel.Kind.AMPLIFIER)
    work.correct(AmplifierFacts, [amplifier.pk], state, step=step)
    return amplifier


@operation("amplifier.end", "An amplifier is taken down.")
def amplifier_end(work: Work, *, amplifier: Amplifier) -> Amplifier:
    work.current(AmplifierFacts, amplifier.pk)
    require_unused(work, amplifier)
    work.end(amplifier)
    return amplifier
