"""Worked calculations of landings, wires and addresses: counts, and what was counted."""

from __future__ import annotations

import numpy as np

from sites.models import Block
from zones.electrical.bands import IntArray
from zones.electrical.figures import lookup
from zones.electrical.plant import BlockKind, BoolArray, Carries, select
from zones.electrical.point_loads import UNKNOWN_GAUGE_AWG
from zones.electrical.subjects import SubjectKind
from zones.electrical.terminations import AUDIO, DC, GAUGE_RANGE_AWG, OPPOSITE
from zones.loads.site_loads import Load
from zones.models import Landing

from .registry import explains
from .scene import Scene
from .worked import Amount, Step, Table, Worked, columns

_CONDUCTORS = columns("row", "side", "pair", "carries")


@explains("row_used_twice")
def row_used_twice(scene: Scene, load: Load) -> Worked:
    rows = _landings(scene, load)
    rows = rows[scene.plant.landings.row[rows] == load.detail]
    kind = Block.Kind[BlockKind(scene.plant.block_kind[scene.index(load.subject)]).name]
    return Worked(
        formula="The conductors on the fullest side of a row, against what that side takes.",
        inputs=(
            Amount.of(
                f"conductors that a side of it takes, {kind.label}",
                "",
                load.limit or np.nan,
                "common practice",
            ),
        ),
        tables=(_conductors(scene, f"On row {load.detail}", rows),),
        steps=tuple(
            Step.of(f"On the side of the {side}", f"conductors, {side}", "", count)
            for side, count in (
                ("equipment", int((~scene.plant.landings.field_side[rows]).sum())),
                ("field cable", int(scene.plant.landings.field_side[rows].sum())),
            )
        ),
    )


@explains("polarity_reversed")
def polarity_reversed(scene: Scene, load: Load) -> Worked:
    return _reversed(scene, load, of_dc=True)


@explains("audio_reversed")
def audio_reversed(scene: Scene, load: Load) -> Worked:
    return _reversed(scene, load, of_dc=False)


def _reversed(scene: Scene, load: Load, *, of_dc: bool) -> Worked:
    table, rows = scene.plant.landings, _landings(scene, load)
    wrong = [
        one
        for one in rows
        if (table.carries[one] in DC) is of_dc
        and any(
            table.row[other] == table.row[one]
            and table.field_side[other] != table.field_side[one]
            and OPPOSITE[table.carries[one]] == table.carries[other]
            for other in rows
        )
    ]
    pair = "a DC pair" if of_dc else "an audio pair or a line"
    count = len(np.unique(table.row[wrong]))
    return Worked(
        formula=f"Rows on which one side carries a conductor of {pair} and the other side its opposite.",
        tables=(_conductors(scene, "Rows with reversed polarity", np.array(wrong, np.int64)),),
        steps=(Step.of("Rows", "rows", "", count),),
    )


@explains("clip_out")
def clip_out(scene: Scene, load: Load) -> Worked:
    table, rows = scene.plant.landings, _landings(scene, load)
    clips = scene.plant.clips
    _, known = select(scene.plant, "clips", scene.members)
    out = clips.row[known[(clips.block_index[known] == scene.index(load.subject)) & ~clips.is_in[known]]]
    used = rows[table.carries[rows] != Carries.SPARE]
    field, equipment = (table.row[used[table.field_side[used] == side]] for side in (True, False))
    parted = np.intersect1d(np.intersect1d(field, equipment), out)
    return Worked(
        formula="Rows whose clip is out, or whose cross-connect is lifted, with a conductor in use on either "
        "side.",
        tables=(_conductors(scene, "Parted conductors", used[np.isin(table.row[used], parted)]),),
        steps=(Step.of("Rows", "rows", "", len(parted)),),
    )


@explains("dc_on_audio")
def dc_on_audio(scene: Scene, load: Load) -> Worked:
    table, rows = scene.plant.landings, _landings(scene, load)
    place = table.row[rows]
    pair = np.stack([table.cable_code[rows], table.pair[rows]])

    def same_place(one: int) -> BoolArray:
        """(n,) the conductors on the row of one of them, or in its pair."""
        there: BoolArray = (place == place[one]) | (pair == pair[:, [one]]).all(axis=0)
        return there

    kinds = (np.isin(table.carries[rows], AUDIO), np.isin(table.carries[rows], DC))
    meeting = [
        one
        for one in range(len(rows))
        for own, other in (kinds, kinds[::-1])
        if own[one] and other[same_place(one)].any()
    ]
    return Worked(
        formula="Rows on which DC and audio meet, on the row or in the pair that is landed there.",
        tables=(_conductors(scene, "DC and audio together", rows[meeting]),),
        steps=(Step.of("Rows", "rows", "", len(np.unique(place[meeting]))),),
    )


@explains("audio_with_dc")
def audio_with_dc(scene: Scene, load: Load) -> Worked:
    carries = scene.plant.landings.carries[_landings(scene, load)]
    _, zones = select(scene.plant, "zones", scene.members)
    return Worked(
        formula="1 where audio and DC are on the block and the site has several zones, else 0.",
        inputs=(
            Amount.of(
                "conductors with audio",
                "",
                int(np.isin(carries, AUDIO).sum()),
                "landings",
            ),
            Amount.of(
                "conductors with DC",
                "",
                int(np.isin(carries, DC).sum()),
                "landings",
            ),
            Amount.of("zones of the site", "", len(zones), "recorded"),
        ),
    )


@explains("wire_gauge")
def wire_gauge(scene: Scene, load: Load) -> Worked:
    wiring, run = scene.wiring, scene.index(load.subject)
    home = (wiring.parent < 0) & (scene.plant.points.run_index[wiring.row] == run)
    rows = [int(row) for row in wiring.row[home]]
    kind = int(scene.plant.run_block_kind[run])
    block = Block.Kind[BlockKind(kind).name].noun
    thickest, thinnest = GAUGE_RANGE_AWG[kind].tolist()
    gauges = [
        Amount.of(
            f"gauge of the segment to {scene.point_name(row)}",
            "AWG",
            UNKNOWN_GAUGE_AWG if np.isnan(scene.gauge(row)) else scene.gauge(row),
            "not recorded: taken as usual" if np.isnan(scene.gauge(row)) else "its cable type",
        )
        for row in rows
    ]
    return Worked(
        formula="The gauge numbers by which the cable on the block is outside the block's wire range.",
        inputs=(
            *gauges,
            Amount.of(f"thickest wire of {block}", "AWG", thickest, "common practice"),
            Amount.of("thinnest wire", "AWG", thinnest, "common practice"),
        ),
    )


@explains("stranded_on_idc")
def stranded_on_idc(scene: Scene, load: Load) -> Worked:
    plant, wiring = scene.plant, scene.wiring
    home = (wiring.parent < 0) & (plant.points.run_index[wiring.row] == scene.index(load.subject))
    landed = []
    for row in wiring.row[home].tolist():
        cable = plant.points.cable_index[row]
        stranded = int(lookup(plant.cables.stranded, cable))
        if stranded < 0 and lookup(plant.cables.category, cable):
            stranded = 0
        wire = {1: "stranded", 0: "solid"}.get(stranded, "not recorded")
        landed.append([scene.point_name(row), wire])
    block = Block.Kind[BlockKind(int(plant.run_block_kind[scene.index(load.subject)])).name]
    return Worked(
        formula="Segments of stranded wire that land on insulation-displacement contacts.",
        assumptions=(f"It lands on {block.noun}. Category cable is solid unless recorded otherwise.",),
        tables=(Table.of("Segments that land on the block", columns("to", "wire"), landed),),
        steps=(Step.of("Segments", "segments", "", sum(wire == "stranded" for _, wire in landed)),),
    )


@explains("address_used_twice")
def address_used_twice(scene: Scene, load: Load) -> Worked:
    table = scene.plant.addresses
    _, rows = select(scene.plant, "addresses", scene.members)
    own = rows[table.endpoint_index[rows] == scene.index(load.subject)]
    same = rows[np.isin(table.address_code[rows], table.address_code[own])]
    listed = [[scene.name(SubjectKind.ENDPOINT, int(table.endpoint_index[row]))] for row in same]
    return Worked(
        formula="Endpoints that are recorded with the same address and VLAN.",
        tables=(Table.of("With this address", columns("endpoint"), listed),),
    )


def _landings(scene: Scene, load: Load) -> IntArray:
    """The rows of the landings on the block of a load."""
    _, rows = select(scene.plant, "landings", scene.members)
    chosen: IntArray = rows[scene.plant.landings.block_index[rows] == scene.index(load.subject)]
    return chosen


def _conductors(scene: Scene, title: str, rows: IntArray) -> Table:
    table = scene.plant.landings
    return Table.of(
        title,
        _CONDUCTORS,
        [
            [
                int(table.row[row]),
                "field cable" if table.field_side[row] else "equipment",
                int(table.pair[row]),
                Landing.Carries[Carries(table.carries[row]).name].label,
            ]
            for row in sorted(rows, key=lambda row: (table.row[row], table.field_side[row]))
        ],
    )
