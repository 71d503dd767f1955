"""The usual cautions, each shown where it matters and not as a page of boilerplate."""

from __future__ import annotations

from enum import StrEnum


class Caution(StrEnum):
    LOCAL_CODE = "local_code"
    LIFE_SAFETY = "life_safety"
    DISCONNECT = "disconnect"
    LINE_VOLTAGE = "line_voltage"
    WIRING_CLASSES = "wiring_classes"
    PLENUM = "plenum"
    LADDER = "ladder"

    @property
    def text(self) -> str:
        return _TEXTS[self]


_TEXTS = {
    Caution.LOCAL_CODE: (
        "Local code, the authority having jurisdiction and licensed practice govern. This record computes; "
        "it approves nothing."
    ),
    Caution.LIFE_SAFETY: (
        "This record is not listed and is no part of a life-safety or emergency communication system. Where "
        "paging serves that purpose, NFPA 72 and its listed equipment govern."
    ),
    Caution.DISCONNECT: (
        "Disconnect and check before touching. A source that is off but not locked out counts as energised."
    ),
    Caution.LINE_VOLTAGE: "A 70.7 V or 100 V line can shock. Switch its amplifier off, lock it out, and "
    "measure.",
    Caution.WIRING_CLASSES: ("Keep Class 2 and Class 3 wiring apart from power wiring as the code requires."),
    Caution.PLENUM: "Plenum spaces need plenum cable.",
    Caution.LADDER: "Near live parts use a ladder that does not conduct.",
}
