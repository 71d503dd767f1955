"""DC supplies and amplifiers."""

from __future__ import annotations

from sites.models import Amplifier, AmplifierFacts, Supply, SupplyFacts

from .usual import Usual

_SUPPLY = Usual(Supply, SupplyFacts)
supply_add = _SUPPLY.adds("A DC supply is mounted in a closet.", "closet", "name")
supply_alter = _SUPPLY.alters("A DC supply is replaced by another model, or described otherwise.")
supply_correct = _SUPPLY.corrects("The model recorded for a DC supply was wrong.")
supply_end = _SUPPLY.ends("A DC supply is taken down.")

_AMPLIFIER = Usual(Amplifier, AmplifierFacts)
amplifier_add = _AMPLIFIER.adds("An amplifier is mounted in a closet.", "closet", "name")
amplifier_alter = _AMPLIFIER.alters(
    "An amplifier is replaced, set to another line voltage, or described otherwise."
)
amplifier_correct = _AMPLIFIER.corrects("What is recorded of an amplifier was wrong.")
amplifier_end = _AMPLIFIER.ends("An amplifier is taken down.")
