"""What worked calculations are made from: a site's plant as it was solved, and the names of what is in it."""

from __future__ import annotations

from copy import copy
from functools import cached_property

import numpy as np

from sites.models import Basis
from zones.electrical.bands import HIGH, LIKELY, LOW, FloatArray, IntArray
from zones.electrical.estimates import WORDS, Estimate
from zones.electrical.evaluate import subject_ids
from zones.electrical.plant import TABLE_OF_KIND, BoolArray, Members, Plant, select
from zones.electrical.point_loads import PointLoads, point_loads
from zones.electrical.self_amplified import DcSolution, at_full_output, solve_dc
from zones.electrical.subjects import Subject, SubjectKind
from zones.electrical.wiring import Wiring, wire
from zones.limits.amounts import amount
from zones.limits.registry import limit_by_code
from zones.loads.site_loads import Load, SiteLoads, SitePlant
from zones.models import PointFacts, Zone
from zones.selectors import points_before
from zones.subjects import Names

from .worked import LENGTH_KNOWN, Amount, Column, Step, Table, columns, number

SEGMENT = (
    Column("to", "segment to"),
    Column("length_m", "length", "m"),
    Column("gauge_awg", "gauge", "AWG"),
)
OWN_CORNERS = (
    "Every device has its own corners: for the high estimate its path is long, the other segments are short "
    "and all loads high; for the low one the reverse. Each estimate is that of the device worst in it."
)
DRAWS_NOTHING = (
    "A device whose impedance is not recorded is taken to draw nothing: the true figure may be worse."
)
PAGE = (
    "Judged during a page: at speech, half of full output where the model states nothing else; at full "
    "output in zones that carry tones."
)
FULL_OUTPUT_PAGE = (
    "Judged as if every zone whose signal is not recorded were paged with chimes or tones, at full output; "
    "zones recorded as speech at speech."
)


class Scene:
    """What a site's loads are computed from; everything is read and solved once, when asked."""

    def __init__(self, loads: SiteLoads | SitePlant) -> None:
        self.site = loads
        self.plant: Plant = loads.plant
        self.members: Members = loads.members
        self.loads: PointLoads = loads.anchoring.loads
        self.page = PAGE

    @cached_property
    def wiring(self) -> Wiring:
        return wire(self.plant, self.members)

    @cached_property
    def dc(self) -> DcSolution:
        return solve_dc(self.plant, self.members, self.wiring, self.loads)

    def at_full_output(self) -> Scene:
        """The same site with zones of unrecorded signal at full output."""
        other = copy(self)
        other.dc = at_full_output(self.plant, self.dc, self.loads)
        other.page = FULL_OUTPUT_PAGE
        return other

    @cached_property
    def unanchored(self) -> PointLoads:
        return point_loads(self.plant)

    # --- names, each kind in one query ----------------------------------------------------------------------

    @cached_property
    def points(self) -> dict[int, PointFacts]:
        """By id, the facts of every point of the site that held on the day, with point, model and cable."""
        before = int(self.members.step[0]) + 1
        rows = points_before(before, site_id=self.site.site_id, run_ids=[int(pk) for pk in self.plant.run_id])
        return {row.point_id: row for row in rows}

    @cached_property
    def zones(self) -> dict[int, str]:
        return dict(Zone.objects.filter(site_id=self.site.site_id).values_list("pk", "name"))

    @cached_property
    def _names(self) -> Names:
        kinds = [kind for kind in SubjectKind if kind is not SubjectKind.SITE]
        return Names((kind, int(pk)) for kind in kinds for pk in subject_ids(self.plant, kind))

    def name(self, kind: SubjectKind, index: int) -> str:
        """What people call a thing, by its index in the plant."""
        return self._names.of((kind, int(subject_ids(self.plant, kind)[index])))

    def point_name(self, row: int) -> str:
        """What people call the point of a point row: its name, and its place where one is recorded."""
        pk = int(self.plant.point_id[self.plant.points.point_index[row]])
        facts = self.points.get(pk)
        if facts is None:
            return f"point {pk}"
        return f"{facts.point.name} ({facts.place})" if facts.place else facts.point.name

    def decided_elsewhere(self, load: Load) -> tuple[Step, ...]:
        """The low and the high estimate, where another point decides them than the likely one."""
        likely, limit = load.estimates.likely, limit_by_code(load.code)
        steps = []
        for word, one in zip(WORDS, load.estimates, strict=True):
            facts = self.points.get(one.detail or -1)
            if one.value is None or one.is_beside(likely) or facts is None:
                continue
            said = f"The {word} estimate is decided at {facts.point.name}: {number(one.value, limit.unit)}"
            amount = Amount.of(f"{word} estimate", limit.unit, one.value)
            steps.append(Step(f"{said}, {limit.limit_text(one.limit)}.", amount))
        return tuple(steps)

    def model_name(self, row: int) -> str:
        facts = self.points.get(int(self.plant.point_id[self.plant.points.point_index[row]]))
        return facts.model.name if facts is not None and facts.model is not None else "model not recorded"

    # --- places in the plant --------------------------------------------------------------------------------

    def index(self, subject: Subject) -> int:
        """The index in the plant of what a load is about."""
        kind, pk = subject
        return int(np.flatnonzero(subject_ids(self.plant, SubjectKind(kind)) == pk)[0])

    def row_of(self, subject: Subject) -> int:
        """The row of a thing's facts that hold on the day, in the table of its kind; −1 where none do."""
        kind = SubjectKind(subject[0]).word
        table = self.plant.tables[TABLE_OF_KIND[kind]]
        _, rows = select(self.plant, TABLE_OF_KIND[kind], self.members)
        found = rows[getattr(table, f"{kind}_index")[rows] == self.index(subject)]
        return int(found[0]) if len(found) else -1

    def fact(self, subject: Subject, name: str) -> float:
        """A fact of a thing, as it holds on the day; NaN where none does."""
        row, kind = self.row_of(subject), SubjectKind(subject[0]).word
        return float(getattr(self.plant.tables[TABLE_OF_KIND[kind]], name)[row]) if row >= 0 else np.nan

    def node_of(self, wiring: Wiring, load: Load, chosen: BoolArray) -> int:
        """The node of a load's point among the chosen nodes of a wiring; −1 where there is none."""
        ids = self.plant.point_id[self.plant.points.point_index[wiring.row]]
        found = np.flatnonzero(chosen & (ids == (-1 if load.detail is None else load.detail)))
        return int(found[0]) if len(found) else -1

    def places(self, load: Load) -> dict[int, tuple[int, Estimate]]:
        """The points that decide the estimates of a load, each with the first estimate that it decides: of
        the likely, the high and the low one."""
        found: dict[int, tuple[int, Estimate]] = {}
        for band in (LIKELY, HIGH, LOW):
            one = load.estimates[band]
            if one.detail is not None:
                found.setdefault(one.detail, (band, one))
        return found

    def path_tables(
        self, title: str, load: Load, chosen: BoolArray, resistance: str, ohms: FloatArray
    ) -> tuple[Table, ...]:
        """The segments from the block to each point that decides an estimate of a load. chosen: (n,) the
        nodes to find it among; the rest as of ``path_table``."""
        ids = self.plant.point_id[self.plant.points.point_index[self.wiring.row]]
        return tuple(
            self.path_table(title, int(np.flatnonzero(chosen & (ids == point))[0]), resistance, ohms, band)
            for point, (band, _) in self.places(load).items()
        )

    def path_table(
        self, title: str, node: int, resistance: str, ohms: FloatArray, band: int = LIKELY
    ) -> Table:
        """The segments from the block to a node. ohms: (3, rows) by row of points; resistance: what it is the
        resistance of; band: the estimate that is shown."""
        shown = columns(*SEGMENT, Column("resistance_ohm", resistance, "Ω"), LENGTH_KNOWN)
        rows = self.wiring.row[path_to(self.wiring.parent, node)].tolist()
        cells = [
            [
                self.point_name(row),
                self.loads.length_m[band, row],
                self.gauge(row),
                ohms[band, row],
                self.length_known(row),
            ]
            for row in rows
        ]
        return Table.of(f"{title}, {WORDS[band]} estimate", shown, cells)

    def run_name_of(self, row: int) -> str:
        return self.name(SubjectKind.RUN, int(self.plant.points.run_index[row]))

    # --- how a value is known -------------------------------------------------------------------------------

    def current_known(self, row: int) -> str:
        """How the current of a point row is known: its basis, or the reading that it was scaled to."""
        if not np.array_equal(self.loads.speech_a[:, row], self.unanchored.speech_a[:, row]):
            return "scaled to a reading"
        plant = self.plant
        own = bool(self.loads.current_recorded[row])
        basis = Basis(int(plant.points.current_basis[row])).label
        if basis == Basis.UNKNOWN.label or not (own or plant.points.model_index[row] >= 0):
            return "not recorded: taken as usual for its kind"
        if not own and basis == Basis.MARKED.label and np.isnan(self.speech_stated(row)):
            return "half of the full output that its model states: common practice"
        return basis if own else f"{basis}, from its model"

    def speech_stated(self, row: int) -> float:
        """What the model of a point row states at speech [A]; NaN where it does not."""
        stated: float = self.plant.models.speech_current_a[self.plant.points.model_index[row]]
        return stated

    def length_known(self, row: int) -> str:
        if not np.array_equal(self.loads.length_m[:, row], self.unanchored.length_m[:, row]):
            return "scaled to a reading"
        if not np.isfinite(self.plant.points.length_m[row]):
            return "not recorded: taken as usual"
        basis = Basis(int(self.plant.points.length_basis[row])).label
        if np.isnan(self.loads.share[row]):
            return basis
        whole = amount(float(self.loads.whole_m[LIKELY, row]), "m", length_unit=self.site.length_unit)
        return f"{basis}, as part of {whole}: not recorded where it was cut"

    def gauge(self, row: int) -> float:
        """AWG of the segment to a point, NaN where unknown."""
        gauge: float = np.append(self.plant.cables.gauge_awg, np.nan)[self.plant.points.cable_index[row]]
        return gauge


def path_to(parent: IntArray, node: int) -> list[int]:
    """The nodes from the one without a parent to ``node``, this included."""
    path = [node]
    while parent[path[-1]] >= 0:
        path.append(int(parent[path[-1]]))
    return path[::-1]
