"""Files about what lies on the blocks: conductors on rows, and the clips between a row's halves."""

from __future__ import annotations

from zones.asbuilt.cells import Rows
from zones.models import ClipFacts, Landing

from .kinds import Column, FileKind, Reference, Values, text, whole, word
from .wiring import output_of_endpoint

FIRST, SECOND = Landing.Conductor.FIRST.value, Landing.Conductor.SECOND.value
_C = Landing.Carries
# What both conductors of a pair carry, first then second, so that a pair can be entered in one row
PAIRS = {
    "audio": (_C.AUDIO_POSITIVE.value, _C.AUDIO_NEGATIVE.value),
    "audio_reversed": (_C.AUDIO_NEGATIVE.value, _C.AUDIO_POSITIVE.value),
    "dc": (_C.DC_POSITIVE.value, _C.DC_NEGATIVE.value),
    "dc_reversed": (_C.DC_NEGATIVE.value, _C.DC_POSITIVE.value),
    "line": (_C.LINE_HOT.value, _C.LINE_COMMON.value),
    "line_reversed": (_C.LINE_COMMON.value, _C.LINE_HOT.value),
    "spare": (_C.SPARE.value, _C.SPARE.value),
}
_OWNERS = ("run", "output", "supply", "amplifier")


def _landing(values: Values) -> list[tuple[str, str]]:
    found = output_of_endpoint(values)
    rows, carries = values["row"], values["carries"]
    pair = len(rows) == 2
    if len(rows) > 2:
        found.append(("row", "a pair takes two rows: write such as 7-8, or one row and the conductor"))
    elif pair:
        if values.get("conductor") is not None:
            found.append(("conductor", "two rows take both conductors: leave it blank, or give one row"))
        if carries not in PAIRS:
            found.append(("carries", f"a pair carries one of {', '.join(PAIRS)}"))
    else:
        if values.get("conductor") is None:
            found.append(
                ("conductor", "one row takes one conductor: first or second; or give two rows such as 7-8")
            )
        if carries not in _C.values:
            found.append(("carries", f"one conductor carries one of {', '.join(_C.values)}"))
    given = [name for name in _OWNERS if values.get(name) is not None]
    if values["side"] == Landing.Side.FIELD and given != ["run"]:
        found.append(("run", "the field side takes a run and nothing else"))
    if values["side"] == Landing.Side.EQUIPMENT and (len(given) != 1 or given == ["run"]):
        found.append(("side", "the equipment side takes one of endpoint and output, supply, amplifier"))
    return found


def _conductors(values: Values) -> list[Values]:
    rows, carries = values["row"], values["carries"]
    if len(rows) == 1:
        return [{**values, "row": rows[0]}]
    return [
        {**values, "row": row, "conductor": conductor, "carries": what}
        for row, conductor, what in zip(rows, (FIRST, SECOND), PAIRS[carries], strict=True)
    ]


LANDINGS = FileKind(
    name="landings",
    about="Which conductor lies on which row and side of which block. One row of the file is one conductor, "
    "or, with two block rows such as 7-8, a pair: its first conductor (white, red, black, yellow or violet) "
    "on the first, its second (blue, orange, green, brown or slate) on the second. `audio`: + then −; "
    "`dc`: ground (positive) then −24 V; `line`: hot then common; `…_reversed` the other way round.",
    model=Landing,
    key=("block", "row", "side", "run", "output", "supply", "amplifier", "pair", "conductor"),
    placed=True,
    references=(
        Reference("block", "blocks", ("block",), required=True),
        Reference("run", "runs", ("run",)),
        Reference("output", "outputs", ("endpoint", "output")),
        Reference("supply", "supplies", ("supply",)),
        Reference("amplifier", "amplifiers", ("amplifier",)),
    ),
    check=_landing,
    expand=_conductors,
    columns=(
        text("block", limit=80, field=None, required=True, default=None),
        Column("row", Rows(1, 400), "Row of the block, or the two rows of a pair.", required=True),
        word("side", Landing.Side.values, required=True),
        text("run", limit=80, field=None, default=None),
        text("endpoint", "Gateway.", limit=80, field=None, default=None),
        whole("output", 1, 999, field=None),
        text("supply", limit=80, field=None, default=None),
        text("amplifier", limit=80, field=None, default=None),
        whole("pair", 1, 25, "Pair of its cable.", required=True),
        word("conductor", Landing.Conductor.values, "Blank where two rows are given."),
        word("carries", [*_C.values, *(name for name in PAIRS if name != "spare")], required=True),
    ),
)

CLIPS = FileKind(
    name="clips",
    about="Bridging clips that were pulled or put back. A row of a block that is not named here has its clip "
    "in.",
    facts=ClipFacts,
    facts_of="block",
    key=("block", "row"),
    references=(Reference("block", "blocks", ("block",), required=True),),
    expand=lambda values: [{**values, "row": row} for row in values["row"]],
    columns=(
        text("block", limit=80, field=None, required=True, default=None),
        Column("row", Rows(1, 400), "Row, or rows such as 1-4.", required=True),
        word("clip", {"in": True, "out": False}, field="is_in", dated=True, required=True),
    ),
)
