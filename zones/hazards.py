"""What cautions depend on, assembled in one place for sheets, findings, events and loads.

``zones.limits.cautions`` decides which of them matter.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Protocol

from sites.models import Closet, Site
from sites.once import once
from sites.selectors import stood_sql
from zones.limits.cautions import Caution, CautionHere, Surroundings, cautions_of
from zones.models import Run

_OF_SITE: Final = ("permits", "induction", "note")
_OF_CLOSET: Final = (
    "name", "building", "room", "directions", "induction", "permits", "protective_equipment",
    "other_tenants", "note",
)  # fmt: skip
"""Texts of a place that may name a danger, besides its dangers."""

# A run that is landed in a closet is energised there, also where it is fed from elsewhere. The points that
# matter are few: the table of points is read along its site, once
_READ: Final = f"""
WITH place AS MATERIALIZED (
    SELECT closet.id AS closet_id, closet.site_id, asked.before
    FROM closet JOIN unnest(%(sites)s::bigint[], %(befores)s::bigint[]) AS asked(site_id, before)
        USING (site_id)
    WHERE closet.id = ANY(%(closets)s::bigint[])
),
landed AS (
    SELECT DISTINCT p.closet_id, p.before, l.run_id
    FROM place p JOIN block ON block.site_id = p.site_id AND block.closet_id = p.closet_id
    JOIN landing l ON l.block_id = block.id
        AND {stood_sql("l", "p.before")}
),
lying AS MATERIALIZED (
    SELECT p.closet_id, p.before, run.id AS run_id, run.kind
    FROM place p JOIN block ON block.site_id = p.site_id AND block.closet_id = p.closet_id
    JOIN run ON run.block_id = block.id
    WHERE {stood_sql("run", "p.before")}
    UNION
    SELECT l.closet_id, l.before, run.id, run.kind
    FROM landed l JOIN run ON run.id = l.run_id
        AND {stood_sql("run", "l.before")}
),
fed AS MATERIALIZED (
    SELECT DISTINCT ON (l.closet_id, l.run_id) l.*, f.supply_id, f.amplifier_id, f.output_id
    FROM lying l LEFT JOIN run_facts f ON f.run_id = l.run_id AND f.step < l.before
    ORDER BY l.closet_id, l.run_id, f.step DESC
),
special AS MATERIALIZED (
    SELECT DISTINCT ON (l.closet_id, f.point_id) l.closet_id, f.feed_supply_id, f.cable_type_id
    FROM (
        SELECT DISTINCT run_id, point_id FROM point_facts
        WHERE site_id = ANY(%(sites)s::bigint[]) AND (
            feed_supply_id IS NOT NULL OR cable_type_id IN (SELECT id FROM cable_type WHERE plenum)
        )
    ) AS ever
    JOIN lying l USING (run_id) JOIN point_facts f ON f.point_id = ever.point_id AND f.step < l.before
    ORDER BY l.closet_id, f.point_id, f.step DESC
),
driving AS (
    SELECT DISTINCT ON (p.closet_id, amplifier.id)
        p.closet_id, amplifier.id, amplifier.name, f.line_voltage_v, f.model_id
    FROM place p JOIN amplifier ON amplifier.site_id = p.site_id LEFT JOIN amplifier_facts f
        ON f.amplifier_id = amplifier.id AND f.step < p.before
    WHERE amplifier.closet_id = p.closet_id
        AND {stood_sql("amplifier", "p.before")}
    ORDER BY p.closet_id, amplifier.id, f.step DESC
),
driven AS (
    SELECT DISTINCT ON (fed.closet_id, fed.run_id) fed.closet_id, f.line_voltage_v
    FROM fed LEFT JOIN amplifier_facts f ON f.amplifier_id = fed.amplifier_id AND f.step < fed.before
    WHERE fed.kind = '{Run.Kind.CONSTANT_VOLTAGE}'
    ORDER BY fed.closet_id, fed.run_id, f.step DESC
)
SELECT closet.*, here.energised FROM closet LEFT JOIN (
SELECT of.closet_id, json_agg(
    json_build_array(rank, source, elsewhere.name, line_voltage_v, has_line) ORDER BY rank, source
) AS energised
FROM (
    SELECT p.closet_id, 0, 'supply ' || supply.name, supply.closet_id, NULL::float8, NULL::bool
    FROM place p JOIN supply ON supply.closet_id = p.closet_id
    WHERE {stood_sql("supply", "p.before")}
    -- no line voltage is how a low-impedance amplifier is recorded; of an unknown model it is unknown
    UNION ALL SELECT closet_id, 1, 'amplifier ' || name, closet_id, line_voltage_v,
        line_voltage_v IS NOT NULL OR model_id IS NULL FROM driving
    UNION ALL SELECT fed.closet_id, 2, 'supply ' || supply.name, supply.closet_id, NULL, NULL
    FROM (SELECT DISTINCT closet_id, supply_id FROM fed) AS fed JOIN supply ON supply.id = fed.supply_id
    UNION ALL SELECT fed.closet_id, 2, 'amplifier ' || amplifier.name, amplifier.closet_id, NULL, NULL
    FROM fed JOIN amplifier ON amplifier.id = fed.amplifier_id
    -- of a self-amplified run an output is only the sound; another run it drives, as an amplifier does
    UNION ALL SELECT fed.closet_id, 2, 'output ' || output.number || ' of ' || endpoint.name,
        endpoint.closet_id, NULL, NULL
    FROM fed JOIN output ON output.id = fed.output_id JOIN endpoint ON endpoint.id = output.endpoint_id
    WHERE fed.kind <> '{Run.Kind.SELF_AMPLIFIED}'
    UNION ALL SELECT s.closet_id, 2, 'supply ' || supply.name, supply.closet_id, NULL, NULL
    FROM special s JOIN supply ON supply.id = s.feed_supply_id
    UNION ALL SELECT closet_id, 3, NULL, NULL, line_voltage_v, true FROM driven
    UNION ALL SELECT closet_id, 4, NULL, NULL, NULL, NULL
    FROM special s JOIN cable_type ON cable_type.id = s.cable_type_id AND cable_type.plenum
) AS of(closet_id, rank, source, stands_in, line_voltage_v, has_line)
LEFT JOIN closet AS elsewhere ON elsewhere.id = nullif(of.stands_in, of.closet_id)
GROUP BY of.closet_id
) AS here ON here.closet_id = closet.id
WHERE closet.id = ANY(%(closets)s::bigint[])
"""  # noqa: S608 - our own words
_PLENUM: Final = 4


class ZoneConcerned(Protocol):
    """A zone by its name and whether it serves life safety (yes, no, unknown)."""

    @property
    def name(self) -> str: ...

    @property
    def life_safety(self) -> str: ...


@dataclass
class _Energised:
    """In a closet: sources, with their closet where that is another one; voltages of lines, None: not
    recorded; and whether some cable is plenum cable."""

    sources: list[str] = field(default_factory=list)
    line_voltages_v: set[float | None] = field(default_factory=set)
    plenum_cable: bool = False


class Hazards:
    """What is known of some closets, and of what is energised in them. One query, however many closets."""

    def __init__(self, closet_ids: Collection[int], before: Mapping[int, int]) -> None:
        """before: by site, the step after the last change that counts."""
        self.closets, self._energised = _read(closet_ids, before) if closet_ids else ({}, {})
        # Many findings stand in the same closet, and are about the same zones
        self._cautions: dict[Any, tuple[CautionHere, ...]] = {}

    def cautions(
        self,
        site: Site,
        closet_ids: Iterable[int | None],
        *,
        zones: Iterable[ZoneConcerned],
        limits: Iterable[Caution],
    ) -> tuple[CautionHere, ...]:
        """The cautions that matter in some of the closets, the worst first, each with why.

        zones: those concerned. limits: the cautions of the limits concerned. None
        among the closets: what is concerned stands in none.
        """
        serves = frozenset((zone.name, zone.life_safety) for zone in zones)
        closets, of_limits = tuple(dict.fromkeys(closet_ids)), frozenset(limits)
        asked = (site.pk, closets, serves, of_limits)
        if asked not in self._cautions:
            self._cautions[asked] = self._cautions_of(site, closets, serves, of_limits)
        return self._cautions[asked]

    def _cautions_of(
        self,
        site: Site,
        closet_ids: Sequence[int | None],
        life_safety: frozenset[tuple[str, str]],
        limits: frozenset[Caution],
    ) -> tuple[CautionHere, ...]:
        closets = [self.closets[pk] for pk in closet_ids if pk in self.closets]
        energised = [self._energised[closet.pk] for closet in closets]
        heights = [closet.ladder_m for closet in closets if closet.ladder_m is not None]
        return cautions_of(
            Surroundings(
                life_safety=life_safety,
                line_voltages_v=frozenset().union(*(each.line_voltages_v for each in energised)),
                sources=tuple(dict.fromkeys(source for each in energised for source in each.sources)),
                ladder_m=max(heights, default=None),
                plenum_cable=any(each.plenum_cable for each in energised),
                dangers=(site.dangers, *(closet.dangers for closet in closets)),
                texts=(
                    *(getattr(site, name) for name in _OF_SITE),
                    *(getattr(closet, name) for closet in closets for name in _OF_CLOSET),
                ),
                limits=limits,
                jurisdiction=site.jurisdiction,
                length_unit=site.length_unit,
            )
        )


@once
def _read(
    closet_ids: Collection[int], before: Mapping[int, int]
) -> tuple[dict[int, Closet], dict[int, _Energised]]:
    energised: dict[int, _Energised] = {}
    closets = Closet.objects.raw(
        _READ, {"closets": list(closet_ids), "sites": list(before), "befores": list(before.values())}
    )
    for closet in closets:
        of = energised[closet.pk] = _Energised()
        for rank, source, elsewhere, voltage, has_line in closet.energised or ():  # type: ignore[attr-defined]
            if source is not None:
                of.sources.append(f"{source} (in closet {elsewhere})" if elsewhere else source)
            if has_line:
                of.line_voltages_v.add(voltage)
            of.plenum_cable |= rank == _PLENUM
    return {closet.pk: closet for closet in closets}, energised
