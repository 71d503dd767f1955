"""DC supplies and amplifiers."""

from __future__ import annotations

from typing import Any

from sites.changes.operations import HeldOn, Use, operation
from sites.changes.work import Work, but, only
from sites.fields import facts_of
from sites.models import Amplifier, AmplifierFacts, Closet, Supply, SupplyFacts
from sites.rules.equipment import require_model

from .uses import require_unused

_SUPPLY = facts_of(SupplyFacts)


@operation(
    "supply.add",
    "A DC supply is mounted in a closet.",
    of=(Supply, SupplyFacts),
    takes=(*facts_of(Supply, "closet", "name"), *_SUPPLY),
)
def supply_add(work: Work, /, *, closet: Closet, name: str, **given: Any) -> Supply:
    require_model("supply", given.get("model"))
    supply = work.add(Supply(closet=closet, name=name, **but(given, _SUPPLY)))
    work.add(SupplyFacts(supply=supply, **only(given, _SUPPLY)))
    return supply


@operation(
    "supply.alter",
    "A DC supply is replaced by another model, or described otherwise.",
    of=(Supply, SupplyFacts),
    takes=(*facts_of(Supply), *_SUPPLY),
    use=Use.ANY,
)
def supply_alter(work: Work, /, *, supply: Supply, **given: Any) -> Supply:
    require_model("supply", given.get("model"))
    work.alter(supply, but(given, _SUPPLY))
    work.supersede(SupplyFacts, [supply.pk], only(given, _SUPPLY))
    return supply


@operation(
    "supply.correct",
    "The model recorded for a DC supply was wrong.",
    of=(Supply, SupplyFacts),
    takes=_SUPPLY,
    use=Use.CORRECTION,
)
def supply_correct(work: Work, /, *, supply: Supply, held_on: HeldOn = None, **given: Any) -> Supply:
    require_model("supply", given.get("model"))
    work.correct(SupplyFacts, [supply.pk], given, held_on=held_on)
    return supply


@operation("supply.end", "A DC supply is taken down.")
def supply_end(work: Work, /, *, supply: Supply) -> Supply:
    work.current(SupplyFacts, supply.pk)
    require_unused(work, supply)
    work.end(supply)
    return supply


_AMPLIFIER = facts_of(AmplifierFacts)


@operation(
    "amplifier.add",
    "An amplifier is mounted in a closet.",
    of=(Amplifier, AmplifierFacts),
    takes=(*facts_of(Amplifier, "closet", "name"), *_AMPLIFIER),
)
def amplifier_add(work: Work, /, *, closet: Closet, name: str, **given: Any) -> Amplifier:
    require_model("amplifier", given.get("model"))
    amplifier = work.add(Amplifier(closet=closet, name=name, **but(given, _AMPLIFIER)))
    work.add(AmplifierFacts(amplifier=amplifier, **only(given, _AMPLIFIER)))
    return amplifier


@operation(
    "amplifier.alter",
    "An amplifier is replaced, set to another line voltage, or described otherwise.",
    of=(Amplifier, AmplifierFacts),
    takes=(*facts_of(Amplifier), *_AMPLIFIER),
    use=Use.ANY,
)
def amplifier_alter(work: Work, /, *, amplifier: Amplifier, **given: Any) -> Amplifier:
    require_model("amplifier", given.get("model"))
    work.alter(amplifier, but(given, _AMPLIFIER))
    work.supersede(AmplifierFacts, [amplifier.pk], only(given, _AMPLIFIER))
    return amplifier


@operation(
    "amplifier.correct",
    "What is recorded of an amplifier was wrong.",
    of=(Amplifier, AmplifierFacts),
    takes=_AMPLIFIER,
    use=Use.CORRECTION,
)
def amplifier_correct(
    work: Work, /, *, amplifier: Amplifier, held_on: HeldOn = None, **given: Any
) -> Amplifier:
    require_model("amplifier", given.get("model"))
    work.correct(AmplifierFacts, [amplifier.pk], given, held_on=held_on)
    return amplifier


@operation("amplifier.end", "An amplifier is taken down.")
def amplifier_end(work: Work, /, *, amplifier: Amplifier) -> Amplifier:
    work.current(AmplifierFacts, amplifier.pk)
    require_unused(work, amplifier)
    work.end(amplifier)
    return amplifier
