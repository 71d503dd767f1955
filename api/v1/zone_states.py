"""The state of a zone, beside the zone in a list: stored figures and open findings of all that bears on it.

A list of a hundred zones holds some two thousand figures. So what is shown is made here in one pass, once a
subject however many zones share it, and the classes only describe it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from api.conventions import fields
from api.conventions.serializers import RenderedSerializer
from api.conventions.sizes import cut
from zones.electrical.subjects import Subject, SubjectKind
from zones.electrical.verdicts import Verdict
from zones.loads.zone_states import (
    OpenFinding,
    StoredFigures,
    open_findings,
    stored_figures,
)
from zones.models import Finding

from . import figures

_KINDS: Final = {int(kind): kind.name.lower() for kind in SubjectKind}
_VERDICTS: Final = {int(verdict): verdict.name.lower() for verdict in Verdict}


class SubjectSummarySerializer(RenderedSerializer):
    kind = fields.Choice(choices=figures.SUBJECT_KINDS)
    id = fields.Id()


class ZoneFigureSerializer(RenderedSerializer, figures.EstimatesSerializer):
    """A figure against its limit as the last recheck found it; in words, and with headroom and place, it is
    in the zone's `load`."""

    code = fields.Choice(choices=figures.CODES)
    subject = SubjectSummarySerializer()
    verdict = fields.Choice(choices=figures.VERDICTS, help_text=figures.VERDICT_HELP)
    as_of = fields.Day(help_text="The day at its site that it was computed for.")


class ZoneFindingSerializer(RenderedSerializer):
    """A finding that has not cleared; all of it is under `findings`."""

    id = fields.Id()
    case_id = fields.Id()
    code = fields.Choice(choices=figures.CODES)
    subject = SubjectSummarySerializer()
    verdict = fields.Choice(choices=figures.VERDICTS, help_text=figures.VERDICT_HELP)
    state = fields.Choice(choices=[one for one in Finding.State.values if one != Finding.State.CLEARED])
    opened_at = fields.Instant()


def annotate_zones(zones: Sequence[Any], expand: Sequence[str]) -> None:
    """Annotate zones with the figures and findings that `expand` names, at most a given number of each, in at
    most two queries."""
    wanted = [name for name in ("figures", "findings") if name in expand]
    if not wanted:
        return
    by_id: dict[int, Any] = {zone.pk: zone for zone in zones}
    for zone in zones:
        zone.figures, zone.findings = [], []
    if "figures" in wanted:
        for stored in stored_figures(by_id):
            shown = _figures(stored)
            for zone_id in stored.zones:
                by_id[zone_id].figures += shown
    if "findings" in wanted:
        for finding in open_findings(by_id):
            for zone_id in finding.zones:
                by_id[zone_id].findings.append(_finding(finding))
    for zone in zones:
        cut(zone, {name: getattr(zone, name) for name in wanted})


def _figures(stored: StoredFigures) -> list[dict[str, Any]]:
    subject, as_of = _subject(stored.subject), stored.as_of.isoformat()
    numbers: tuple[Any, ...] = stored[StoredFigures._fields.index("low") :]
    by_limit = zip(*numbers, strict=True)
    return [
        {
            **figures.shown_numbers(*of_limit),
            "code": code,
            "subject": subject,
            "verdict": _VERDICTS[verdict],
            "as_of": as_of,
        }
        for code, verdict, of_limit in zip(stored.codes, stored.verdict, by_limit, strict=True)
    ]


def _finding(finding: OpenFinding) -> dict[str, Any]:
    return {
        "id": finding.id,
        "case_id": finding.case_id,
        "code": finding.code,
        "subject": _subject(finding.subject),
        "verdict": _VERDICTS[finding.verdict],
        "state": finding.state,
        "opened_at": fields.Instant().to_representation(finding.opened_at),
    }


def _subject(of: Subject) -> dict[str, Any]:
    kind, subject_id = of
    return {"kind": _KINDS[kind], "id": subject_id}
