"""What a zone carries: the answer of ``GET /zones/{id}/load``."""

from __future__ import annotations

from typing import Any

from api.conventions import fields
from api.conventions.serializers import StrictSerializer
from zones.loads.explanations import Explanations
from zones.loads.wording import RenderedLoad
from zones.loads.zone_loads import ZoneLoad, cautions_of_zone
from zones.models import Zone

from . import figures
from .dated import AsOfQuery
from .worked import CalculationSerializer


class LoadQuery(AsOfQuery):
    explain = fields.Flag(
        default=False, help_text="With each figure also its worked calculation, from the inputs to the limit."
    )


class ExplainedSerializer(figures.FigureSerializer):
    """A figure; with `explain=true` also how it was computed."""

    calculation = CalculationSerializer(required=False)


class ZoneLoadSerializer(StrictSerializer):
    """Everything that bears on a zone on a day, worst verdict first and then least headroom."""

    zone_id = fields.Id()
    zone = fields.Text(help_text="Its name.")
    site_id = fields.Id()
    life_safety = fields.Choice(choices=Zone.LifeSafety.choices)
    as_of = fields.Day()
    verdict = fields.Choice(choices=figures.VERDICTS, help_text="The worst of all its figures.")
    summary = fields.Text(help_text="The loads in a sentence or two.")
    tightest = figures.FigureSerializer(allow_null=True, help_text="The figure of least headroom.")
    items = ExplainedSerializer(many=True)
    not_computed = figures.NotComputedSerializer(many=True, help_text="What cannot be computed, and why.")
    cautions = figures.CautionSerializer(many=True)


def zone_load_data(zone: Zone, load: ZoneLoad, explanations: Explanations | None) -> dict[str, Any]:
    return {
        "zone_id": zone.pk,
        "zone": zone.name,
        "site_id": zone.site_id,
        "life_safety": zone.life_safety,
        "as_of": load.as_of.isoformat(),
        "verdict": load.verdict.name.lower(),
        "summary": load.summary,
        "tightest": None if load.tightest is None else figures.figure(load.tightest),
        "items": [_explained(one, explanations) for one in load.figures],
        "not_computed": [figures.not_computed(one) for one in load.problems],
        "cautions": figures.cautions(cautions_of_zone(zone, load)),
    }


def _explained(one: RenderedLoad, explanations: Explanations | None) -> dict[str, Any]:
    shown = figures.figure(one)
    if explanations is not None:
        shown["calculation"] = CalculationSerializer(explanations.of(one.load)).data
    return shown
