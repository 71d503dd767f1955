"""What is known of a closet that cautions hang on; ``zones.limits.cautions`` decides which are shown."""

from __future__ import annotations

from collections.abc import Iterable

from sites.models import Closet
from zones.limits.cautions import Caution, CautionHere, Surroundings, cautions_of

from .equipment import Equipment
from .wiring import Wiring


def cautions_in(
    closet: Closet,
    equipment: Equipment,
    wiring: Wiring,
    *,
    life_safety: Iterable[str],
    limits: Iterable[Caution] = (),
) -> tuple[CautionHere, ...]:
    """The cautions that matter in a closet, the gravest first, each with why.

    life_safety: what is said of each zone that is fed from here. limits: the cautions of the limits that are
    past or near here, or have an open finding. The site must be there with the closet.
    """
    site = closet.site
    voltages = {one.line_voltage_v for one in equipment.amplifiers if one.line_voltage_v is not None}
    # What is not recorded may shock: said as such, and not left out
    voltages_or_unknown = voltages | {None for one in equipment.amplifiers if not one.line_known}
    sources = [
        *(f"supply {one.name}" for one in equipment.supplies),
        *(f"amplifier {one.name}" for one in equipment.amplifiers),
        # A run that lies here is energised from wherever it is fed
        *(feed.named(closet.pk) for feed in wiring.feeds),
    ]
    return cautions_of(
        Surroundings(
            life_safety=frozenset(life_safety),
            line_voltages_v=frozenset(voltages_or_unknown | wiring.line_voltages_v),
            sources=tuple(dict.fromkeys(sources)),
            ladder_m=closet.ladder_m,
            plenum_cable=wiring.plenum_cable,
            dangers=(site.dangers, closet.dangers),
            texts=(
                site.permits,
                site.induction,
                closet.name,
                closet.building,
                closet.room,
                closet.directions,
                closet.permits,
                closet.protective_equipment,
                closet.note,
            ),
            limits=frozenset(limits),
        )
    )
