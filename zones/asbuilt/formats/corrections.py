"""The file of what record corrections rewrote: the values before and after each."""

from __future__ import annotations

import itertools

from sites.fields import LineField, NoteField
from zones.asbuilt.cells import Listed, Text, Word

from .catalogue import CABLE_TYPES, DEVICE_MODELS
from .customers import SITES
from .equipment import AMPLIFIERS, BLOCKS, ENDPOINTS, OUTPUTS, SUPPLIES, SWITCH_PORTS, SWITCHES
from .kinds import ENDS, KEY, Column, FileKind, Reference
from .landings import CLIPS, LANDINGS
from .wiring import PAGING_SETS, POINTS, RUNS, ZONE_ENDPOINTS, ZONES

# The kinds of what a plant is made of: a corrected value bears on a load, or is named beside one
CORRECTED = (
    DEVICE_MODELS, CABLE_TYPES, SITES, SWITCHES, SWITCH_PORTS, SUPPLIES, AMPLIFIERS, ENDPOINTS, OUTPUTS,
    BLOCKS, ZONES, ZONE_ENDPOINTS, PAGING_SETS, RUNS, POINTS, LANDINGS, CLIPS,
)  # fmt: skip


_NOT_REWRITTEN = ("order",)  # of a point: it bears on no load


def corrected_columns(kind: FileKind) -> tuple[str, ...]:
    """The columns of a file that corrections rewrite: names and ends too, not what a thing is a part of."""
    parts = [part.columns if isinstance(part, Reference) else () for part in kind.parts]
    fixed = kind.key_columns if kind.model is None else tuple(itertools.chain(*parts))
    taken = tuple(column.name for column in kind.columns if column.name not in (*fixed, *_NOT_REWRITTEN))
    return (*taken, ENDS.name) if kind.placed else taken


_CELL = Text(NoteField(max_length=150_000))

CORRECTIONS = FileKind(
    name="corrections",
    about="What record corrections rewrote, one row a value, so that the cause of a figure past its limit is "
    "the same wherever the files are imported. The other files hold the values that stand in the end; their "
    "`revised_by` and `described_by` name the last of these changes. Corrections of one row are in the order "
    "of changes.csv. An edit of the catalogue is a correction of each site concerned: its change is of kind "
    "`catalogue`, its file device_models or cable_types. Files without this one import to the same values, "
    "but not to what stood before a correction. With `--accept-good`, a row of it that is refused puts its "
    "whole site aside: what stood before cannot be added later.",
    columns=(
        Column(
            "change",
            KEY,
            "Key of the change, of kind correction or catalogue, that rewrote it.",
            required=True,
        ),
        Column(
            "file",
            Word({kind.name: kind.name for kind in CORRECTED}),
            "The file that has the row.",
            required=True,
        ),
        Column(
            "thing",
            Listed(Text(LineField(max_length=300))),
            "What the row is about, by the columns that identify it there, as they stand in the end: "
            "`run=R-3 | point=P-4`. Not for a site.",
        ),
        Column(
            "held_since",
            KEY,
            "Key of the change from which the corrected row holds, its `change`. Not for a site, nor for the "
            "catalogue.",
        ),
        Column(
            "column",
            KEY,
            "The column that was rewritten. Blank, as before and after: the correction added the row.",
        ),
        Column(
            "before",
            _CELL,
            "What the cell said, written as in that file, with a decimal point; an end by its change.",
        ),
        Column("after", _CELL, "What it says since then, written likewise."),
    ),
    key=(),
    recorded=False,
)
