"""Files about what lies on the blocks: conductors on rows, and the clips between a row's halves."""

from __future__ import annotations

from collections.abc import Iterator

from sites.changes.errors import Problem
from zones.asbuilt.cells import Rows, Word
from zones.models import ClipFacts, Landing
from zones.rules.landings import OWNERS, owner_fits
from zones.services.landings import CARRIES

from .kinds import OfField, Reference, Values, file_kind, together
from .wiring import RUNS

FIRST, SECOND = Landing.Conductor.FIRST.value, Landing.Conductor.SECOND.value
_C = Landing.Carries
# What both conductors of a pair carry, first then second, so that a pair can be entered in one row
PAIRS: dict[str, tuple[str, str]] = {}
for _use, (_first, _second) in CARRIES.items():
    PAIRS[_use.value] = _first.value, _second.value
    if _first is not _second:
        PAIRS[f"{_use.value}_reversed"] = _second.value, _first.value


def _landing(values: Values) -> Iterator[Problem]:
    yield from together(values, "endpoint", "output")
    rows, carries = values["row"], values["carries"]
    pair = len(rows) == 2
    if len(rows) > 2:
        detail = "a pair takes two rows: write such as 7-8, or one row and the conductor"
        yield Problem(detail, "invalid", "/row")
    elif pair:
        if values.get("conductor") is not None:
            detail = "two rows take both conductors: leave it blank, or give one row"
            yield Problem(detail, "invalid", "/conductor")
        if carries not in PAIRS:
            yield Problem(f"a pair carries one of {', '.join(PAIRS)}", "invalid", "/carries")
    else:
        if values.get("conductor") is None:
            detail = "one row takes one conductor: first or second; or give two rows such as 7-8"
            yield Problem(detail, "required", "/conductor")
        if carries not in _C.values:
            yield Problem(f"one conductor carries one of {', '.join(_C.values)}", "invalid", "/carries")
    yield from owner_fits([name for name in OWNERS if values.get(name) is not None], values["side"])


def _conductors(values: Values) -> list[Values]:
    rows, carries = values["row"], values["carries"]
    if len(rows) == 1:
        return [{**values, "row": rows[0]}]
    return [
        {**values, "row": row, "conductor": conductor, "carries": what}
        for row, conductor, what in zip(rows, (FIRST, SECOND), PAIRS[carries], strict=True)
    ]


LANDINGS = file_kind(
    "landings",
    "Which conductor lies on which row and side of which block. One row of the file is one conductor, or, "
    "with two block rows such as 7-8, a pair: its first conductor (white, red, black, yellow or violet) on "
    "the first, its second (blue, orange, green, brown or slate) on the second. `audio`: + then −; `dc`: "
    "positive then negative; `line`: hot then common; `…_reversed` the other way round.",
    OfField("row", help="Row of the block, or the two rows of a pair.", cell=Rows),
    Reference("run", RUNS.name, ("run",)),
    Reference("output", "outputs", ("endpoint", "output"), help=("Gateway.",)),
    OfField("pair", help="Pair of its cable."),
    OfField("conductor", help="Blank where two rows are given.", more={"required": False}),
    OfField("carries", cell=Word({word: word for word in (*_C.values, *PAIRS)})),
    model=Landing,
    key=("block", "row", "side", "run", "output", "supply", "amplifier", "pair", "conductor"),
    check=_landing,
    expand=_conductors,
)

CLIPS = file_kind(
    "clips",
    "Bridging clips pulled or inserted, and cross-connects lifted or laid again. A row of a block that is "
    "not named here has its halves joined.",
    Reference("block", "blocks", ("block",), required=True),
    OfField("row", help="Row, or rows such as 1-4.", cell=Rows, more={"dated": False}),
    OfField("is_in", "clip", cell=Word({"in": True, "out": False})),
    facts=ClipFacts,
    key=("block", "row"),
)
