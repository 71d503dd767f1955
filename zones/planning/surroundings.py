"""What is known of zones and their figures that cautions hang on; ``zones.limits.cautions`` decides."""

from __future__ import annotations

from collections.abc import Iterable

from zones.electrical.verdicts import Verdict
from zones.limits.cautions import Caution
from zones.models import Zone

from .wording import RenderedLoad


def cautions_of_limits(figures: Iterable[RenderedLoad]) -> frozenset[Caution]:
    """The cautions of the limits that are near, past, or not to be told: whoever mends them minds these."""
    return frozenset(
        caution for one in figures if one.load.verdict > Verdict.WITHIN for caution in one.limit.cautions
    )


def life_safety_of(zones: Iterable[Zone]) -> frozenset[str]:
    return frozenset(zone.life_safety for zone in zones)
