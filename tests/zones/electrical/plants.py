"""Plants built by hand for tests: things by keyword, later facts by ``change``, groups joined as the reader
joins them. Steps are small integers; the default step of a thing is 1.
"""

from __future__ import annotations

from collections import defaultdict
from typing import Any

import numpy as np

from zones.electrical import plant as p
from zones.electrical.bands import Basis, Factors

NAN = float("nan")
MODEL = {
    "device_kind": 1,
    "speech_current_a": NAN,
    "idle_current_a": 0.015,
    "full_output_current_a": 0.05,
    "idle_power_w": NAN,
    "full_output_power_w": NAN,
    "minimum_voltage_v": 18.0,
    "maximum_voltage_v": NAN,
    "input_impedance_ohm": 47_000.0,
    "input_sensitivity_v": NAN,
    "nominal_impedance_ohm": NAN,
    "lowest_tap_w": NAN,
    "middle_tap_w": NAN,
    "highest_tap_w": NAN,
}
CABLE = {"gauge_awg": 24.0, "category": False, "conductor_rating_a": NAN, "stranded": -1, "listing": -1}
FACTS: dict[str, dict[str, Any]] = {
    "runs": {
        "zone_id": 1,
        "supply_index": -1,
        "output_index": -1,
        "amplifier_index": -1,
        "fuse_fitted": 0,
        "fuse_rating_a": NAN,
        "design_temperature_c": NAN,
    },
    "points": {
        "parent_index": -1,
        "kind": p.PointKind.DEVICE,
        "device_kind": 1,
        "model_index": -1,
        "count_low": 1.0,
        "count_likely": 1.0,
        "count_high": 1.0,
        "length_m": NAN,
        "length_basis": int(Basis.UNKNOWN),
        "length_share": NAN,
        "length_share_place": -1,
        "cable_index": -1,
        "dc_pairs": 1,
        "negative_cut": False,
        "current_basis": int(Basis.MARKED),
        "speech_current_a": NAN,
        "idle_current_a": NAN,
        "tap_power_w": NAN,
        "tap_basis": int(Basis.UNKNOWN),
        "zone_id": -1,
        "feed_supply_index": -1,
        "design_temperature_c": NAN,
    },
    "supplies": {
        "rated_current_a": 2.0,
        "no_load_voltage_v": 24.0,
        "rated_load_voltage_v": NAN,
        "voltage_tolerance": 0.0,
        "lowest_voltage_v": NAN,
        "float_voltage_v": NAN,
        "class_2_marked": 1,
    },
    "outputs": {"impedance_ohm": 100.0, "level_v": NAN, "speakers_max": NAN, "service": -1},
    "amplifiers": {
        "rated_power_w": 120.0,
        "line_voltage_v": 70.7,
        "minimum_impedance_ohm": NAN,
        "output_class": p.OutputClass.CLASS_2,
    },
    "switches": {
        "budget_w": 130.0,
        "budget_one_lost_w": NAN,
        "power_supplies_max": 1,
        "power_supply_count": 1,
        "port_type": -1,
        "usage_threshold": NAN,
    },
    "ports": {
        "switch_index": -1,
        "number": 1,
        "priority": 2,
        "port_type": -1,
        "other_load": False,
        "other_class": -1,
        "other_power_w": NAN,
    },
    "endpoints": {
        "port_index": -1,
        "poe_class": 3,
        "negotiated_power_w": NAN,
        "paging_power_w": NAN,
        "length_m": 30.0,
        "length_basis": int(Basis.MEASURED),
        "cable_index": -1,
        "over_cable": True,
    },
    "poe_readings": {"switch_index": -1, "reading_id": 0, "state": p.State.PAGING, "power_w": NAN},
    "landings": {
        "block_index": 0,
        "run_index": -1,
        "row": 1,
        "field_side": False,
        "carries": p.Carries.SPARE,
        "pair": 1,
        "cable_code": 0,
    },
    "clips": {"block_index": 0, "row": 1, "clip_code": 1, "is_in": False},
    "zones": {"zone_id": 1, "signal": -1},
    "heard": {"endpoint_index": 0, "zone_id": 1},
    "addresses": {"endpoint_index": 0, "address_code": 0},
    "paging": {"set_id": 1, "zone_id": 1},
    "readings": {
        "run_index": 0,
        "reading_id": 0,
        "place": 0,
        "kind": p.ReadingKind.RUN_CURRENT,
        "state": p.State.PAGING,
        "value": NAN,
        "source_voltage_v": NAN,
        "instrument_error": NAN,
        "temperature_c": NAN,
        "point_index": -1,
    },
    "proof_tests": {"run_index": 0, "test_id": 0, "place": 0, "kind": 0, "passed": True},
}
OWN_INDEX = {
    "runs": "run_index",
    "points": "point_index",
    "supplies": "supply_index",
    "outputs": "output_index",
    "amplifiers": "amplifier_index",
    "switches": "switch_index",
    "ports": "port_index",
    "endpoints": "endpoint_index",
}
ROWS: dict[str, type[p.Table]] = {
    "runs": p.RunRows,
    "points": p.PointRows,
    "supplies": p.SupplyRows,
    "outputs": p.OutputRows,
    "amplifiers": p.AmplifierRows,
    "switches": p.SwitchRows,
    "ports": p.PortRows,
    "endpoints": p.EndpointRows,
    "poe_readings": p.PoeReadingRows,
    "landings": p.LandingRows,
    "clips": p.ClipRows,
    "zones": p.ZoneRows,
    "heard": p.HeardRows,
    "addresses": p.AddressRows,
    "paging": p.PagingRows,
    "readings": p.ReadingRows,
    "proof_tests": p.ProofTestRows,
}


class ToyPlant:
    """A plant in the making: call the makers, which return dense indexes (ids are index + 1000), then
    ``build()``."""

    def __init__(self, *, temperature_c: float = 20.0, factors: Factors | None = None) -> None:
        self.temperature_c = temperature_c
        self.jurisdiction = -1
        self.survey_day = self.proofs_since = -1
        self.covers: list[tuple[int, int, int, int]] = []
        """Contract, first day, last day (half open), months."""
        self.factors = factors or Factors()
        self.models: list[dict[str, Any]] = []
        self.cables: list[dict[str, Any]] = []
        self.run_kinds: list[int] = []
        self.block_kinds: list[int] = []
        self.run_blocks: list[int] = []
        self.output_endpoints: dict[int, int] = {}
        self.kinds_of_blocks: list[int] = []
        self.counts: dict[str, int] = defaultdict(int)
        self.rows: dict[str, list[dict[str, Any]]] = defaultdict(list)

    def model(self, **ratings: Any) -> int:
        self.models.append(MODEL | ratings)
        return len(self.models) - 1

    def cable(self, **ratings: Any) -> int:
        self.cables.append(CABLE | ratings)
        return len(self.cables) - 1

    def add(self, table: str, *, step: int = 1, end: int = p.FOREVER, by: int = 1, **facts: Any) -> int:
        """A new thing (or a row of a table of facts without things) from a step."""
        own = OWN_INDEX.get(table)
        index = self.counts[table]
        self.counts[table] += 1
        row = FACTS[table] | facts | {"begin": step, "end": end, "changed_by": by}
        if own:
            row[own] = index
        self.rows[table].append(row)
        return index

    def change(self, table: str, index: int, *, step: int, by: int | None = None, **facts: Any) -> None:
        """The next row of a thing: its last facts with some replaced, from a step."""
        last = [r for r in self.rows[table] if r[OWN_INDEX[table]] == index][-1]
        last["end"] = step
        self.rows[table].append(
            last | facts | {"begin": step, "end": p.FOREVER, "changed_by": step if by is None else by}
        )

    def run(
        self,
        *,
        kind: int = p.RunKind.SELF_AMPLIFIED,
        block_kind: int = p.BlockKind.SPLIT_66,
        block: int = -1,
        **facts: Any,
    ) -> int:
        self.run_kinds.append(kind)
        self.run_blocks.append(block)
        self.block_kinds.append(block_kind)
        return self.add("runs", **facts)

    def chain(self, run: int, count: int, *, parent: int = -1, **facts: Any) -> list[int]:
        """``count`` equal points one behind the other."""
        made = []
        for _ in range(count):
            parent = self.add("points", run_index=run, parent_index=parent, **facts)
            made.append(parent)
        return made

    def block(self, kind: int = p.BlockKind.SPLIT_66) -> int:
        self.kinds_of_blocks.append(kind)
        return len(self.kinds_of_blocks) - 1

    def _groups(self) -> dict[str, list[int]]:
        leader: dict[tuple[str, int], tuple[str, int]] = {}

        def find(key: tuple[str, int]) -> tuple[str, int]:
            leader.setdefault(key, key)
            while leader[key] != key:
                key = leader[key]
            return key

        def join(a: tuple[str, int], b: tuple[str, int]) -> None:
            if b[1] >= 0:
                leader[find(b)] = find(a)

        for row in self.rows["runs"]:
            own = ("run", row["run_index"])
            join(own, ("supply", row["supply_index"]))
            join(own, ("output", row["output_index"]))
            join(own, ("amplifier", row["amplifier_index"]))
        for row in self.rows["points"]:
            join(("run", row["run_index"]), ("supply", row["feed_supply_index"]))
        for row in self.rows["ports"]:
            join(("switch", row["switch_index"]), ("port", row["port_index"]))
        for row in self.rows["endpoints"]:
            join(("endpoint", row["endpoint_index"]), ("port", row["port_index"]))
        belongs = {
            "runs": ("run", "run_index"),
            "points": ("run", "run_index"),
            "supplies": ("supply", "supply_index"),
            "outputs": ("output", "output_index"),
            "amplifiers": ("amplifier", "amplifier_index"),
            "switches": ("switch", "switch_index"),
            "ports": ("port", "port_index"),
            "endpoints": ("endpoint", "endpoint_index"),
            "poe_readings": ("switch", "switch_index"),
            "landings": ("block", "block_index"),
            "clips": ("block", "block_index"),
            "readings": ("run", "run_index"),
            "proof_tests": ("run", "run_index"),
            "heard": ("endpoint", "endpoint_index"),
        }
        keys: dict[str, list[tuple[str, int]]] = {
            table: [
                find((belongs[table][0], r[belongs[table][1]])) if table in belongs else (table, 0)
                for r in rows
            ]
            for table, rows in self.rows.items()
        }
        number = {key: i for i, key in enumerate(sorted({k for ks in keys.values() for k in ks}))}
        self.group_count = len(number)
        return {table: [number[k] for k in ks] for table, ks in keys.items()}

    def build(self) -> p.Plant:
        groups = self._groups()
        tables: dict[str, Any] = {}
        for name, cls in ROWS.items():
            rows = self.rows[name]
            columns: dict[str, Any] = {"group": np.array(groups.get(name, []), np.int64)}
            for key in cls.__dataclass_fields__.keys() - {"group"}:
                values = [r[key] for r in rows]
                kind = str(cls.__dataclass_fields__[key].type)
                dtype = {"IntArray": np.int64, "FloatArray": np.float64, "BoolArray": np.bool_}[kind]
                columns[key] = np.array(values, dtype)
            own = OWN_INDEX.get(name)
            of_point: tuple[str, ...] = ("run_index", "point_index", "begin")
            order = of_point if name == "points" else (own, "begin") if own else ("begin",)
            tables[name] = cls(**columns).ordered(*order)
        ratings: dict[str, Any] = {
            k: np.array([m[k] for m in self.models], np.int64 if k == "device_kind" else np.float64)
            for k in MODEL
        }
        ids = {name: np.arange(self.counts[name], dtype=np.int64) + 1000 for name in OWN_INDEX}
        return p.Plant(
            site_id=np.array([7], np.int64),
            temperature_c=np.array([self.temperature_c]),
            jurisdiction=np.array([self.jurisdiction], np.int64),
            surveyed_on=np.array([self.survey_day], np.int64),
            proofs_since=np.array([self.proofs_since], np.int64),
            covers=p.Covers(
                np.zeros(len(self.covers), np.int64), *np.array(self.covers, np.int64).reshape(-1, 4).T
            ),
            group_site=np.zeros(self.group_count, np.int64),
            run_id=ids["runs"],
            run_kind=np.array(self.run_kinds, np.int64),
            run_block=np.array(self.run_blocks, np.int64),
            run_block_kind=np.array(self.block_kinds, np.int64),
            point_id=ids["points"],
            supply_id=ids["supplies"],
            output_id=ids["outputs"],
            output_endpoint=np.array(
                [self.output_endpoints.get(k, -1) for k in range(self.counts["outputs"])], np.int64
            ),
            amplifier_id=ids["amplifiers"],
            switch_id=ids["switches"],
            port_id=ids["ports"],
            endpoint_id=ids["endpoints"],
            block_id=np.arange(len(self.kinds_of_blocks), dtype=np.int64) + 1000,
            block_kind=np.array(self.kinds_of_blocks, np.int64),
            models=p.Models(
                model_id=np.arange(len(self.models), dtype=np.int64),
                **ratings,
            ),
            cables=p.Cables(
                cable_id=np.arange(len(self.cables), dtype=np.int64),
                gauge_awg=np.array([c["gauge_awg"] for c in self.cables], np.float64),
                category=np.array([c["category"] for c in self.cables], np.bool_),
                conductor_rating_a=np.array([c["conductor_rating_a"] for c in self.cables], np.float64),
                stranded=np.array([c["stranded"] for c in self.cables], np.int64),
                listing=np.array([c["listing"] for c in self.cables], np.int64),
            ),
            factors=self.factors,
            **tables,
        )
