"""What lies on the blocks: pairs landed and taken off, clips pulled and inserted."""

from __future__ import annotations

from typing import Annotated, Any

from django.db import models

from sites.changes.errors import refuse, require
from sites.changes.operations import HeldOn, Use, operation
from sites.changes.work import Work, clean, describe
from sites.fields import FlagField, ListField, WordField, block_row, facts_of
from sites.models import Amplifier, Block, Output, Supply
from zones.models import ClipFacts, Landing, Run
from zones.rules.landings import clip_fits, owner_fits, row_fits


class PairUse(models.TextChoices):
    """What a pair carries: its first and its second conductor."""

    AUDIO = "audio"
    DC = "dc"
    LINE = "line"
    SPARE = "spare"


CARRIES = {
    PairUse.AUDIO: (Landing.Carries.AUDIO_POSITIVE, Landing.Carries.AUDIO_NEGATIVE),
    # In this trade the positive is grounded
    PairUse.DC: (Landing.Carries.DC_POSITIVE, Landing.Carries.DC_NEGATIVE),
    PairUse.LINE: (Landing.Carries.LINE_HOT, Landing.Carries.LINE_COMMON),
    PairUse.SPARE: (Landing.Carries.SPARE, Landing.Carries.SPARE),
}


_Row = Annotated[int | None, block_row(help_text="Row of the second conductor; left out: the next row.")]
_Rows = Annotated[list[int], ListField(block_row(), max_items=400)]
_Reversed = Annotated[bool, FlagField(help_text="The first conductor carries what the second usually does.")]


@operation(
    "landing.add",
    "A pair is landed on two rows of a block: of a run's field cable, or of equipment.",
    of=Landing,
)
def landing_add(
    work: Work,
    /,
    *,
    block: Block,
    row: int,
    pair: int,
    carries: Annotated[PairUse, WordField(PairUse)],
    run: Run | None = None,
    output: Output | None = None,
    supply: Supply | None = None,
    amplifier: Amplifier | None = None,
    second_row: _Row = None,
    reversed: _Reversed = False,  # noqa: A002 - the trade's word for it
) -> list[Landing]:
    """One conductor a row: the first (white, red, black, yellow or violet) on ``row``, the second on
    ``second_row``, by default the next. Two wires on one row are recorded, not refused: the fault exists."""
    things = {"run": run, "output": output, "supply": supply, "amplifier": amplifier}
    require(owner_fits([name for name, thing in things.items() if thing is not None]))
    side = Landing.Side.FIELD if run is not None else Landing.Side.EQUIPMENT
    roles = CARRIES[carries][::-1] if reversed else CARRIES[carries]
    rows = (row, row + 1 if second_row is None else second_row)
    for path, each in zip(("/row", "/second_row"), rows, strict=True):
        require(row_fits(describe(block), block.row_count, each, path))
    of_work: dict[str, Any] = {
        "site_id": work.site_id,
        "change_set_id": work.change_set.pk,
        "begin_step": work.step,
    }
    landings = [
        Landing(
            block=block,
            row=each,
            side=side,
            pair=pair,
            conductor=conductor,
            carries=role,
            **things,
            **of_work,
        )
        for each, conductor, role in zip(
            rows, (Landing.Conductor.FIRST, Landing.Conductor.SECOND), roles, strict=True
        )
    ]
    for landing in landings:
        clean(landing)
    return Landing.objects.bulk_create(landings)


@operation("landing.end", "Conductors are taken off a block.")
def landing_end(work: Work, /, *, landings: list[Landing]) -> list[Landing]:
    if not landings:
        raise refuse("Name the landings that are taken off.", code="required", path="/landing_ids")
    work.end(landings[0], *landings[1:])
    return landings


@operation(
    "landing.correct",
    "How a conductor lies on a block was recorded wrongly.",
    of=Landing,
    takes=facts_of(Landing, "block", "side", "run", "output", "supply", "amplifier"),
    use=Use.CORRECTION,
)
def landing_correct(work: Work, /, *, landing: Landing, **given: Any) -> Landing:
    if "row" in given:
        require(row_fits(describe(landing.block), landing.block.row_count, given["row"]))
    work.alter(landing, given)
    return landing


@operation("clip.pull", "Bridging clips are pulled: the field cable on these rows is isolated.")
def clip_pull(work: Work, /, *, block: Block, rows: _Rows) -> Block:
    _set_clips(work, block, rows, is_in=False)
    return block


@operation("clip.put", "Bridging clips are inserted.")
def clip_put(work: Work, /, *, block: Block, rows: _Rows) -> Block:
    _set_clips(work, block, rows, is_in=True)
    return block


@operation("clip.correct", "Whether a clip was in was recorded wrongly.", of=ClipFacts, use=Use.CORRECTION)
def clip_correct(work: Work, /, *, block: Block, row: int, is_in: bool, held_on: HeldOn = None) -> Block:
    work.correct(ClipFacts, [block.pk, row], {"is_in": is_in}, held_on=held_on)
    return block


def _set_clips(work: Work, block: Block, rows: list[int], *, is_in: bool) -> None:
    require(clip_fits(describe(block), block.kind, is_in=is_in))
    if not rows:
        raise refuse("Name the rows.", code="required", path="/rows")
    for place, row in enumerate(rows):
        require(row_fits(describe(block), block.row_count, row, f"/rows/{place}"))
    for row in dict.fromkeys(rows):
        # A row without a record has its clip in
        if work.latest(ClipFacts, block.pk, row) is None and is_in:
            continue
        work.supersede(ClipFacts, [block.pk, row], {"is_in": is_in})
