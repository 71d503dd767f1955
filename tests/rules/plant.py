"""The small site on which the contradictions are tried, and how a thing of it is named in each channel.

Of most kinds there is one that stands, an OLD one that ended before the day of the attempts (``NOW``), a GONE
one that stood on that day and has ended since, and a NEW one that begins after it.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

from django.db.models import Model

from sites.models import DeviceModel, Site
from tests.zones.asbuilt.folders import Folder, take
from zones.asbuilt.formats import BY_NAME

SITE = "quay"
NOW = dt.date(2024, 6, 3)


@dataclass(frozen=True)
class Ref:
    """A thing by its kind (as files are named) and the names that identify it, owners first."""

    kind: str
    names: tuple[Any, ...]

    def row(self) -> Model:
        """The thing in the record."""
        kind = BY_NAME[self.kind]
        filters: dict[str, Any] = {} if not kind.sited else {"site__code": SITE}
        path = {
            "outputs": ("endpoint__name", "number"),
            "switch_ports": ("switch__name", "number"),
            "points": ("run__name", "name"),
            "customers": ("code",),
        }.get(self.kind, ("name",))
        assert kind.model is not None
        found: Model = kind.model._default_manager.get(**filters, **dict(zip(path, self.names, strict=True)))
        return found


def ref(kind: str, *names: Any) -> Ref:
    return Ref(kind, names)


def model_of(kind: str) -> Ref:
    return ref("device_models", f"a {kind}")


def row_of(thing: Ref) -> dict[str, str]:
    """The row of the files by which a thing was taken in; of a range, the row of its first."""
    kind = BY_NAME[thing.kind]
    named = dict(zip(kind.key_columns, map(str, thing.names), strict=True))
    first = {**named, "output": "1-2"} if thing.kind == "outputs" else named
    row = next(row for row in _folder()[thing.kind] if first.items() <= row.items()) | named
    return {name: cell for name, cell in row.items() if name != "change"}


def build() -> None:
    """Take the site into the record."""
    take(_folder())
    assert Site.objects.filter(code=SITE).exists()


def _folder() -> Folder:
    lives: tuple[dict[str, str], ...] = (
        {"of": "", "change": "built"},
        {"of": "OLD ", "change": "built", "ends": "gone"},
        {"of": "GONE ", "change": "built", "ends": "later"},
        {"of": "NEW ", "change": "later"},
    )
    folder: Folder = {
        "device_models": [{"name": f"a {kind}", "kind": kind} for kind in DeviceModel.Kind.values],
        "cable_types": [{"name": "cat 24", "gauge_awg": "24"}],
        "customers": [{"code": "strand", "name": "Strand Ferries"}],
        "sites": [{"code": SITE, "customer": "strand", "name": "Quay"}],
        "changes": [
            {"change": key, "day": day, "person": "Ida Vole", "reason": "as built"}
            for key, day in (("built", "2019-05-02"), ("gone", "2022-01-10"), ("later", "2025-02-03"))
        ],
        **{
            name: []
            for name in (
                "closets", "switches", "switch_ports", "supplies", "amplifiers", "endpoints", "outputs",
                "blocks", "zones", "paging_sets", "runs", "points", "landings",
            )
        },
    }  # fmt: skip
    for life in lives:
        of = life["of"]
        common = {name: value for name, value in life.items() if name != "of"}

        def add(file: str, /, *, of_life: Any = common, **cells: Any) -> None:
            folder[file].append(of_life | cells)

        add("closets", name=f"{of}C")
        in_closet = {"closet": f"{of}C"}
        add("switches", name=f"{of}SW", model="a switch", **in_closet)
        add("switch_ports", switch=f"{of}SW", port="1-4")
        for kind, number in (("gateway", "1"), ("network_speaker", "2")):
            patched = {"switch": f"{of}SW", "port": number}
            add("endpoints", name=f"{of}{kind}", model=f"a {kind}", **patched)
        add("outputs", endpoint=f"{of}gateway", output="1-2")
        add("supplies", name=f"{of}PS", model="a supply", **in_closet)
        add("amplifiers", name=f"{of}A", model="a amplifier", **in_closet)
        for name, kind in (("B", "66_split"), ("unsplit", "66_unsplit"), ("screw", "screw")):
            add("blocks", name=f"{of}{name}", kind=kind, row_count="25", **in_closet)
        add("zones", name=f"{of}Z")
        add("zones", name=f"{of}in a set")
        add("paging_sets", name=f"{of}set", zones=f"{of}in a set")
        fed = {"self_amplified": "supply", "constant_voltage": "amplifier", "low_impedance": "amplifier"}
        for kind, source in fed.items():
            feed = {source: f"{of}PS" if source == "supply" else f"{of}A"}
            add(
                "runs", name=f"{of}{kind}", block=f"{of}B", kind=kind, zone=f"{of}Z",
                endpoint=f"{of}gateway", output="1", **feed,
            )  # fmt: skip
            point = common | {"run": f"{of}{kind}", "point": "P1", "model": "a horn"}
            folder["points"].append({name: value for name, value in point.items() if name != "ends"})
        add(
            "landings",
            block=f"{of}B",
            row="1-2",
            side="field",
            run=f"{of}self_amplified",
            pair="1",
            carries="dc",
        )
        add("landings", block=f"{of}B", row="1-2", side="equipment", supply=f"{of}PS", pair="1", carries="dc")
    for name, rows in folder.items():
        if BY_NAME[name].sited and name != "sites":
            for row in rows:
                row["site"] = SITE
    return folder
