"""What must fit together beyond a row's own cells: a device and its model, a row and its block."""

from __future__ import annotations

from zones.asbuilt.formats.kinds import Values
from zones.asbuilt.parsing import Row
from zones.asbuilt.things import Thing

# Kinds of models that a file's devices can be of
_FITTING = {
    "switches": {"switch"},
    "supplies": {"supply"},
    "amplifiers": {"amplifier"},
    "endpoints": {"gateway", "network_speaker", "network_amplifier"},
    "points": {"ceiling_speaker", "wall_speaker", "horn"},
}


def check_model(thing: Thing, row: Row, new: Values) -> None:
    """Complain where new facts of ``thing`` name a model of something else."""
    model = new.get("model_id")
    if not isinstance(model, Thing):
        return
    # a model whose own row is refused is not known to be anything
    kind, fitting = model.values.get("kind"), _FITTING[thing.kind.name]
    if kind is not None and kind not in fitting:
        wanted = " or ".join(sorted(word.replace("_", " ") for word in fitting))
        row.complain(
            "model", "wrong_kind", f"{model.label} is a {kind.replace('_', ' ')}; expected a {wanted}"
        )


def check_block_row(thing: Thing, row: Row) -> None:
    """Complain where a landing or a clip lies beyond the last row of its block, or a clip where there is
    none.
    """
    block, number = thing.key[0], thing.key[1]
    last = block.values["row_count"]
    if number > last:
        row.complain("row", "beyond_block", f"{number} is beyond the last row of {block.label}, {last}")
    if thing.kind.name == "clips" and block.values["kind"] != "66_split":
        row.complain(
            "block", "no_clips", f"{block.label} has no bridging clips: only a split 66-type block has"
        )
