"""The usual cautions, and the one place that decides where each of them matters.

A caution is shown with its reason, and only where its danger is known or suspected: a page of boilerplate
stays unread. A sheet, a zone's load or a finding puts what is known of its place into ``Surroundings`` and
shows what ``cautions_of`` returns.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from sites.wording import listed, plural

from .amounts import amount


class Caution(StrEnum):
    LIFE_SAFETY = "life_safety"
    GAS = "gas"
    CONFINED_SPACE = "confined_space"
    DANGER = "danger"
    LINE_VOLTAGE = "line_voltage"
    WET_PLACE = "wet_place"
    DISCONNECT = "disconnect"
    LADDER = "ladder"
    WIRING_CLASSES = "wiring_classes"
    PLENUM = "plenum"
    LOCAL_CODE = "local_code"

    @property
    def text(self) -> str:
        """The text where no jurisdiction is recorded."""
        return self.text_in(None)

    def text_in(self, jurisdiction: str | None) -> str:
        """The text in the words of whose rules govern: of ``Site.Jurisdiction``; None counts as the United
        States."""
        return _TEXTS[self].format(**_RULES_OF[jurisdiction or "united_states"])


_RULES_OF = {
    "united_states": {
        "code": "Local code (the NEC)",
        "apart": "the NEC requires",
        "emergency": "NFPA 72 and its listed equipment govern",
        "confined": "OSHA 1910.146",
        "wet": "25 V can hurt too (NEC Chapter 9 Table 11 notes, from memory)",
    },
    "canada": {
        "code": "Local code (CSA C22.1)",
        "apart": "CSA C22.1 requires",
        "emergency": "CAN/ULC-S524 and its listed equipment govern",
        "confined": "CSA Z1006",
        "wet": "25 V can hurt too",
    },
    "elsewhere": {
        "code": "Local wiring and emergency sound rules",
        "apart": "local wiring and emergency sound rules require",
        "emergency": "local wiring and emergency sound rules govern",
        "confined": "local rules for confined spaces",
        "wet": "25 V can hurt too",
    },
}

_TEXTS = {
    Caution.LOCAL_CODE: (
        "{code}, the authority having jurisdiction and licensed practice govern. This record computes; it "
        "approves nothing."
    ),
    Caution.LIFE_SAFETY: (
        "This record is not listed and is not part of a life-safety or emergency communication system. Where "
        "paging serves that purpose, {emergency}."
    ),
    Caution.GAS: (
        "Ask whether the room is safe before you enter, and follow the site's rules. At a gas alarm or a "
        "sharp smell leave at once and warn others."
    ),
    Caution.CONFINED_SPACE: (
        "Enter a confined space, a crawl space or a duct only with a permit, an attendant outside and tested "
        "air ({confined})."
    ),
    Caution.DANGER: (
        "A danger of this place is recorded. Ask about it before you enter. Start no work until it is shut "
        "off, fenced off or removed."
    ),
    Caution.DISCONNECT: (
        "Disconnect and check before touching. A silent line reads 0 V until the next page: never take a "
        "measurement for isolation. Lock out or unplug the source, then verify. A source that is off but not "
        "locked out counts as energised. "
        "Pulled clips isolate the field cable only: the equipment side of the block stays live, and "
        "the zone is silent while they are out."
    ),
    Caution.LINE_VOLTAGE: (
        "A 70.7 V or 100 V line can shock, and reads 0 V until the next page. Lock out its amplifier, then "
        "verify."
    ),
    Caution.WET_PLACE: "In a wet place {wet}. Lock out or unplug the source before you touch a conductor.",
    Caution.WIRING_CLASSES: "Keep Class 2 and Class 3 wiring apart from power wiring as {apart}.",
    Caution.PLENUM: "Plenum spaces need plenum cable.",
    Caution.LADDER: "Near live parts use a ladder that does not conduct.",
}

SHOCKING_LINE_V: Final = 70.0
"""The lowest voltage of a constant-voltage line that has a caution; a 25 V line has one where it is wet."""


@dataclass(frozen=True)
class Surroundings:
    """What is known of a place or a zone that cautions depend on.

    life_safety: each zone concerned by name, with its answer (yes, no, unknown). line_voltages_v: of the
    lines driven there [V]; None in it: an amplifier whose line voltage is not recorded. sources: energised
    things, as people call them (supplies, amplifiers). ladder_m: greatest working height that needs a
    ladder [m]. plenum_cable: some cable there is plenum cable. dangers: those recorded of the place, as
    people wrote them. texts: what else they wrote about it. limits: cautions of the limits that are past or
    near there. jurisdiction: whose rules govern the site (``Site.Jurisdiction``); None: not recorded.
    length_unit: in which the site counts (``Site.LengthUnit``).
    """

    life_safety: frozenset[tuple[str, str]] = frozenset()
    line_voltages_v: frozenset[float | None] = frozenset()
    sources: tuple[str, ...] = ()
    ladder_m: float | None = None
    plenum_cable: bool = False
    dangers: tuple[str, ...] = ()
    texts: tuple[str, ...] = ()
    limits: frozenset[Caution] = frozenset()
    jurisdiction: str | None = None
    length_unit: str = "m"

    @property
    def named_dangers(self) -> str:
        # As people wrote them: a list of known words would leave dangers out
        written = dict.fromkeys(" ".join(text.split()).rstrip(".") for text in self.dangers)
        return "; ".join(text for text in written if text)

    def mentions(self, words: str) -> str:
        """The first of some words (a pattern of alternatives) in the texts of the place; blank: none."""
        return _mention(words, (*self.dangers, *self.texts))


@functools.lru_cache(maxsize=4096)
def _mention(words: str, texts: tuple[str, ...]) -> str:
    """Remembered, since a page of findings asks of the same few sites and closets again and again."""
    for text in texts:
        if found := re.search(rf"\b(?:{words})\b", text, re.IGNORECASE):
            return found.group().lower()
    return ""


@dataclass(frozen=True)
class CautionHere:
    """A caution, and why it is shown here: of a danger that somebody named, in its own words. text: in the
    words of the site's jurisdiction."""

    caution: Caution
    why: str
    text: str


def _life_safety(here: Surroundings) -> str:
    yes, unknown = (
        sorted(name for name, answer in here.life_safety if answer == asked) for asked in ("yes", "unknown")
    )
    parts = []
    if yes:
        parts.append(f"{zones_named(yes)} {plural(len(yes), 'serves', 'serve')} life safety")
    if unknown:
        parts.append(f"life safety not recorded for {zones_named(unknown)}")
    return "; ".join(parts)


def zones_named(names: Sequence[str], most: int | None = 5) -> str:
    """``zone Gangway``, ``zones Gangway and Quay``."""
    return f"{plural(len(names), 'zone')} {listed(names, most)}"


def _gas(here: Surroundings) -> str:
    word = here.mentions("ammonia|chlorine|NH3|refrigerant|hypochlorite")
    return f"the record of this place mentions {word}" if word else ""


def _confined_space(here: Surroundings) -> str:
    word = here.mentions(r"confined|crawl[ -]?space|crawl\w*|ducts?|manhole|vault|pit")
    return f"the record of this place mentions {word}" if word else ""


def _danger(here: Surroundings) -> str:
    return f"recorded here: {here.named_dangers}" if here.named_dangers else ""


def _wet_place(here: Surroundings) -> str:
    word = here.mentions(r"wet|damp|water|pools?|showers?|splash\w*|flood\w*|wash-?down")
    return f"the record of this place mentions {word}" if word else ""


def _line_voltage(here: Surroundings) -> str:
    high = sorted(volts for volts in here.line_voltages_v if volts is not None and volts >= SHOCKING_LINE_V)
    if high:
        return f"a {listed([f'{volts:g} V' for volts in high])} line starts here"
    return "the line voltage of an amplifier here is not recorded" if None in here.line_voltages_v else ""


def _disconnect(here: Surroundings) -> str:
    if not here.sources:
        return "the equipment is energised" if Caution.DISCONNECT in here.limits else ""
    return f"energised here: {listed(here.sources, 3)}"


def _ladder(here: Surroundings) -> str:
    if not here.ladder_m:
        return ""
    return f"work here is up to {amount(here.ladder_m, 'm', length_unit=here.length_unit)} high"


def _wiring_classes(here: Surroundings) -> str:
    return "a Class 2 limit applies here" if Caution.WIRING_CLASSES in here.limits else ""


def _plenum(here: Surroundings) -> str:
    if here.plenum_cable:
        return "plenum cable is recorded here"
    return "the record of this place mentions a plenum" if here.mentions("plenum") else ""


def _local_code(here: Surroundings) -> str:
    if Caution.LOCAL_CODE in here.limits:
        return "a limit from the wiring rules applies here"
    return "a line here can shock" if _line_voltage(here) else ""


CAUTIONS: Final[dict[Caution, Callable[[Surroundings], str]]] = {
    Caution.LIFE_SAFETY: _life_safety,
    Caution.GAS: _gas,
    Caution.CONFINED_SPACE: _confined_space,
    Caution.DANGER: _danger,
    Caution.LINE_VOLTAGE: _line_voltage,
    Caution.WET_PLACE: _wet_place,
    Caution.DISCONNECT: _disconnect,
    Caution.LADDER: _ladder,
    Caution.WIRING_CLASSES: _wiring_classes,
    Caution.PLENUM: _plenum,
    Caution.LOCAL_CODE: _local_code,
}
"""When each caution matters: why, or a blank. The worst first: life safety comes first everywhere."""


def cautions_of(here: Surroundings) -> tuple[CautionHere, ...]:
    """The cautions that matter here, the worst first, each with why."""
    return tuple(
        CautionHere(caution, why, caution.text_in(here.jurisdiction))
        for caution, reason in CAUTIONS.items()
        if (why := reason(here))
    )
