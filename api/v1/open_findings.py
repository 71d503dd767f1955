"""Open findings in short, beside a site, a closet or a zone: the worst verdict, and how many have which."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from api.conventions import fields
from api.conventions.filters import LARGEST_COUNT
from api.conventions.serializers import RenderedSerializer, ResourceSerializer
from sites.fields import word_of
from zones.electrical.verdicts import Verdict
from zones.findings.open_counts import ByVerdict, summary

from . import figures

NAME: Final = "open_findings"
"""Name of the expansion."""
_WORST_FIRST: Final = tuple(reversed(Verdict))


class OpenFindingsByVerdictSerializer(RenderedSerializer):
    past = fields.Whole(min_value=0, max_value=LARGEST_COUNT)
    probably_past = fields.Whole(min_value=0, max_value=LARGEST_COUNT)
    cannot_tell = fields.Whole(min_value=0, max_value=LARGEST_COUNT)
    near = fields.Whole(min_value=0, max_value=LARGEST_COUNT)


class OpenFindingsSerializer(RenderedSerializer):
    """The findings that are open today: the worst verdict, and how many have which."""

    verdict = fields.Choice(
        choices=figures.VERDICTS, allow_null=True, help_text="The worst; null: no finding is open."
    )
    count = fields.Whole(min_value=0, max_value=LARGEST_COUNT)
    by_verdict = OpenFindingsByVerdictSerializer()
    summary = fields.Text(help_text="How many are past, cannot tell or near, in a sentence.")


class BesideOpenFindings(ResourceSerializer):
    """Mixin for serializers that expand `open_findings`, which is one object."""

    @classmethod
    def expands_to_many(cls, name: str) -> bool:
        return name != NAME and super().expands_to_many(name)


def annotate_open_findings(rows: Sequence[Any], found: Mapping[int, ByVerdict]) -> None:
    """Annotate rows with what ``OpenFindingsSerializer`` describes."""
    for row in rows:
        row.open_findings = _shown(found.get(row.pk, {}))


def _shown(by_verdict: ByVerdict) -> dict[str, Any]:
    counts = {word_of(one): min(by_verdict.get(one, 0), LARGEST_COUNT) for one in _WORST_FIRST}
    counts.pop(word_of(Verdict.WITHIN))
    return {
        "verdict": next((word for word, count in counts.items() if count), None),
        "count": min(sum(counts.values()), LARGEST_COUNT),
        "by_verdict": counts,
        "summary": summary(by_verdict, noun="finding"),
    }
