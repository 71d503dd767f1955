"""What lies on blocks and what answers on the network, counted."""

from __future__ import annotations

from .figures import Figure
from .record import Row
from .standing import Standing, StandingRun
from .values import UNKNOWN_GAUGES, Bands

OPPOSITES = {
    ("audio_positive", "audio_negative"),
    ("dc_positive", "dc_negative"),
    ("line_hot", "line_common"),
}
# conductors on one side of a row, with the clip in and out
TAKES = {"66_split": (1, 2), "66_unsplit": (2, 2), "110": (1, 1), "screw": (2, 2)}
# thickest and thinnest conductor
GAUGES = {"66_split": (20, 26), "66_unsplit": (20, 26), "110": (22, 26), "screw": (12, 26)}


def terminations(standing: Standing) -> list[Figure]:
    """Figures row_used_twice, polarity_reversed, audio_reversed, clip_out, dc_on_audio, audio_with_dc of
    blocks, wire_gauge and stranded_on_idc of runs, address_used_twice of endpoints."""
    by_block: dict[int, list[Row]] = {}
    for row in standing.of("landings").values():
        by_block.setdefault(row["block_id"], []).append(row)
    several_zones = len(standing.of("zones")) > 1
    figures = []
    for block, landings in by_block.items():
        out = {
            row["row"]
            for row in standing.of("clips").values()
            if row["block_id"] == block and not row["is_in"]
        }
        figures += _block(
            block, standing.record.block_kind[block], landings, out, several_zones=several_zones
        )
    for run in standing.runs.values():
        figures += _gauge(standing, run) + _stranded(standing, run)
    return figures + _addresses(standing)


def _same(value: float) -> Bands:
    return Bands(float(value), float(value), float(value))


def _block(block: int, kind: str, landings: list[Row], out: set[int], *, several_zones: bool) -> list[Figure]:
    subject = ("block", block)
    crowd: dict[tuple[int, str], int] = {}
    for each in landings:
        place = (each["row"], each["side"])
        crowd[place] = crowd.get(place, 0) + 1
    takes = {place: TAKES[kind][place[0] in out] for place in crowd}
    # of several the first row, and there the side of the equipment
    fullest = max(sorted(crowd), key=lambda place: crowd[place] - takes[place])
    wrong = sorted(
        {
            (one["row"], one["carries"].startswith("dc"))
            for one in landings
            for other in landings
            if one["side"] == "equipment" and other["side"] == "field" and one["row"] == other["row"]
            if (one["carries"], other["carries"]) in OPPOSITES
            or (other["carries"], one["carries"]) in OPPOSITES
        }
    )
    sides = {
        side: {each["row"] for each in landings if each["side"] == side and each["carries"] != "spare"}
        for side in ("equipment", "field")
    }
    parted = sorted(sides["equipment"] & sides["field"] & out)
    meeting = sorted(_dc_on_audio(landings))
    carried = {each["carries"].split("_")[0] for each in landings}
    both = {"audio", "dc"} <= carried and several_zones
    return [
        Figure(
            subject,
            "row_used_twice",
            _same(crowd[fullest]),
            float(takes[fullest]),
            frozenset([fullest[0]]),
        ),
        *(
            Figure(subject, code, _same(len(rows)), 0.0, frozenset(rows[:1]))
            for code, of_dc in (("polarity_reversed", True), ("audio_reversed", False))
            for rows in [[row for row, dc in wrong if dc is of_dc]]
        ),
        Figure(subject, "clip_out", _same(len(parted)), 0.0, frozenset(parted[:1])),
        Figure(subject, "dc_on_audio", _same(len(meeting)), 0.0, frozenset(meeting[:1])),
        Figure(subject, "audio_with_dc", _same(both), 0.0),
    ]


def _dc_on_audio(landings: list[Row]) -> set[int]:
    """Rows with an audio conductor and a DC conductor, and all rows of a pair that has one of each."""
    found = set()
    for audio in landings:
        for dc in landings:
            if not (audio["carries"].startswith("audio") and dc["carries"].startswith("dc")):
                continue
            pair = [
                (
                    each["side"],
                    each["run_id"],
                    each["output_id"],
                    each["supply_id"],
                    each["amplifier_id"],
                    each["pair"],
                )
                for each in (audio, dc)
            ]
            if audio["row"] == dc["row"] or pair[0] == pair[1]:
                found |= {audio["row"], dc["row"]}
    return found


def _gauge(standing: Standing, run: StandingRun) -> list[Figure]:
    """Gauge numbers outside what the block takes, of the segments that land on it."""
    home = [point for point in run.points if point.above is None]
    if not home:
        return []
    thickest, thinnest = GAUGES[standing.record.run_block_kind[run.id]]

    def outside(gauge: int) -> float:
        return float(max(thickest - gauge, gauge - thinnest, 0))

    segments = []
    for point in home:
        cable = point.row["cable_type_id"]
        gauge = standing.record.cables[cable]["gauge_awg"] if cable is not None else None
        if gauge is None:
            possible = [outside(each) for each in UNKNOWN_GAUGES]
            segments.append(Bands(min(possible), possible[1], max(possible)))
        else:
            segments.append(_same(outside(gauge)))
    worst = Bands(*(max(segment[band] for segment in segments) for band in range(3)))
    return [Figure(("run", run.id), "wire_gauge", worst, 0.0)]


def _stranded(standing: Standing, run: StandingRun) -> list[Figure]:
    """Segments of stranded wire on contacts that displace the insulation: those of all but screw strips."""
    home = [point for point in run.points if point.above is None]
    if not home or standing.record.run_block_kind[run.id] == "screw":
        return []
    wires = {}
    for point in home:
        cable = point.row["cable_type_id"]
        said = standing.record.cables[cable] if cable is not None else {}
        solid = False if said.get("category") else None
        wires[point.id] = solid if said.get("stranded") is None else said["stranded"]
    stranded = [point for point, wire in wires.items() if wire]
    if not stranded and None in wires.values():
        return []
    return [Figure(("run", run.id), "stranded_on_idc", _same(len(stranded)), 0.0, frozenset(stranded))]


def _addresses(standing: Standing) -> list[Figure]:
    answering = [row for row in standing.of("endpoints").values() if row["address"] is not None]
    figures = []
    for row in answering:
        same = sum(
            1 for other in answering if (other["address"], other["vlan"]) == (row["address"], row["vlan"])
        )
        figures.append(Figure(("endpoint", row.thing), "address_used_twice", _same(same), 1.0))
    return figures
