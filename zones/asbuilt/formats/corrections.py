"""The file of what record corrections rewrote: the values before and after each."""

from __future__ import annotations

from sites.fields import LineField, NoteField
from zones.asbuilt.cells import Listed, Text, Word

from .customers import SITES
from .equipment import AMPLIFIERS, ENDPOINTS, SUPPLIES, SWITCH_PORTS, SWITCHES
from .kinds import KEY, Column, FileKind, Reference
from .landings import LANDINGS
from .wiring import POINTS, RUNS, ZONES

# The kinds of which a corrected value bears on a load
CORRECTED = (SITES, SWITCHES, SWITCH_PORTS, SUPPLIES, AMPLIFIERS, ENDPOINTS, ZONES, RUNS, POINTS, LANDINGS)
# Those whose own row does too, not only their dated facts. The kind of a run is not among them: what was
# recorded later fits the kind that it is known to be
OWN_CORRECTED = (SITES, LANDINGS)


def corrected_columns(kind: FileKind) -> tuple[str, ...]:
    """The columns of a file that corrections rewrite: what is dated, and of some kinds what is not. A name is
    always the last one; how a conductor lies is part of what a landing is found by."""
    fixed = kind.key_columns
    if kind is LANDINGS:
        fixed = tuple(leaf for part in kind.parts if isinstance(part, Reference) for leaf in part.columns)
    return tuple(
        column.name
        for column in kind.columns
        if column.dated or (kind in OWN_CORRECTED and column.name not in fixed)
    )


_CELL = Text(NoteField(max_length=20_000))

CORRECTIONS = FileKind(
    name="corrections",
    about="What record corrections rewrote, one row a value, so that the cause of a figure past its limit is "
    "the same wherever the files are imported. The other files hold the values that stand in the end; their "
    "`revised_by` names the last of these changes. Corrections of one row are in the order of changes.csv. "
    "Files without this one import to the same values, but not to what stood before a correction.",
    columns=(
        Column("change", KEY, "Key of the change, of kind correction, that rewrote it.", required=True),
        Column(
            "file",
            Word({kind.name: kind.name for kind in CORRECTED}),
            "The file that has the row.",
            required=True,
        ),
        Column(
            "thing",
            Listed(Text(LineField(max_length=300))),
            "What the row is about, by the columns that identify it there: `run=R-3 | point=P-4`. Not for a "
            "site.",
        ),
        Column(
            "held_since",
            KEY,
            "Key of the change from which the corrected row holds, its `change`. Not for a site.",
        ),
        Column(
            "column",
            KEY,
            "The column that was rewritten. Blank, as before and after: the correction added the row.",
        ),
        Column("before", _CELL, "What the cell said, written as in that file, with a decimal point."),
        Column("after", _CELL, "What it says since then, written likewise."),
    ),
    key=(),
    recorded=False,
)
