"""What lies on the blocks: pairs landed and taken off, clips pulled and put."""

from __future__ import annotations

import enum
from typing import Any, TypedDict, Unpack

from sites.changes.errors import refuse
from sites.changes.operations import Use, operation
from sites.changes.work import Work, describe
from sites.models import Amplifier, Block, Output, Supply
from zones.models import ClipFacts, Landing, Run


class PairUse(enum.Enum):
    """What a pair carries: its first and its second conductor."""

    AUDIO = "audio"
    DC = "dc"
    LINE = "line"
    SPARE = "spare"


_CARRIES = {
    PairUse.AUDIO: (Landing.Carries.AUDIO_POSITIVE, Landing.Carries.AUDIO_NEGATIVE),
    # In this trade the positive is grounded
    PairUse.DC: (Landing.Carries.DC_POSITIVE, Landing.Carries.DC_NEGATIVE),
    PairUse.LINE: (Landing.Carries.LINE_HOT, Landing.Carries.LINE_COMMON),
    PairUse.SPARE: (Landing.Carries.SPARE, Landing.Carries.SPARE),
}


@operation("landing.add", "A pair is landed on two rows of a block: of a run's field cable, or of equipment.")
def landing_add(
    work: Work,
    *,
    block: Block,
    row: int,
    pair: int,
    carries: PairUse,
    run: Run | None = None,
    output: Output | None = None,
    supply: Supply | None = None,
    amplifier: Amplifier | None = None,
    second_row: int | None = None,
    reversed: bool = False,  # noqa: A002 - the trade's word for it
) -> list[Landing]:
    """One conductor a row: the first (white, red, black, yellow or violet) on ``row``, the second on
    ``second_row``, by default the next. Two wires on one row are recorded, not refused: the fault exists."""
    things = {"run": run, "output": output, "supply": supply, "amplifier": amplifier}
    given = [name for name, thing in things.items() if thing is not None]
    if len(given) != 1:
        detail = f"Say whose pair it is: one of {', '.join(things)}, not {' and '.join(given) or 'none'}."
        raise refuse(detail, code="required", path="/run")
    if not 1 <= pair <= 25:
        raise refuse("A pair is 1 to 25.", code="invalid", path="/pair")
    side = Landing.Side.FIELD if run is not None else Landing.Side.EQUIPMENT
    roles = _CARRIES[carries][::-1] if reversed else _CARRIES[carries]
    rows = (row, row + 1 if second_row is None else second_row)
    for path, each in zip(("/row", "/second_row"), rows, strict=True):
        _require_row(block, each, path)
    of_work: dict[str, Any] = {
        "site_id": work.site_id,
        "change_set_id": work.change_set.pk,
        "begin_step": work.step,
    }
    return Landing.objects.bulk_create(
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
    )


@operation("landing.end", "Conductors are taken off a block.")
def landing_end(work: Work, *, landings: list[Landing]) -> list[Landing]:
    if not landings:
        raise refuse("Name the landings that are taken off.", code="required", path="/landings")
    work.end(landings[0], *landings[1:])
    return landings


class LandingCorrected(TypedDict, total=False):
    row: int
    pair: int
    conductor: Landing.Conductor
    carries: Landing.Carries


@operation("landing.correct", "How a conductor lies on a block was recorded wrongly.", use=Use.CORRECTION)
def landing_correct(work: Work, *, landing: Landing, **corrected: Unpack[LandingCorrected]) -> Landing:
    if "row" in corrected:
        _require_row(landing.block, corrected["row"], "/row")
    work.alter(landing, corrected)
    return landing


@operation("clip.pull", "Bridging clips are pulled: the field cable on these rows is isolated.")
def clip_pull(work: Work, *, block: Block, rows: list[int]) -> Block:
    _set_clips(work, block, rows, is_in=False)
    return block


@operation("clip.put", "Bridging clips are put in.")
def clip_put(work: Work, *, block: Block, rows: list[int]) -> Block:
    _set_clips(work, block, rows, is_in=True)
    return block


@operation("clip.correct", "Whether a clip was in was recorded wrongly.", use=Use.CORRECTION)
def clip_correct(work: Work, *, block: Block, row: int, is_in: bool, step: int | None = None) -> Block:
    work.correct(ClipFacts, [block.pk, row], {"is_in": is_in}, step=step)
    return block


def _set_clips(work: Work, block: Block, rows: list[int], *, is_in: bool) -> None:
    if not block.can_isolate:
        detail = f"{describe(block)} is a {block.get_kind_display()} block."
        raise refuse(f"{detail} Nothing on it can be pulled.", code="wrong_kind", path="/block")
    if not rows:
        raise refuse("Name the rows.", code="required", path="/rows")
    for place, row in enumerate(rows):
        _require_row(block, row, f"/rows/{place}")
    for row in dict.fromkeys(rows):
        # A row that nothing is recorded of has its clip in
        if work.latest(ClipFacts, block.pk, row) is None and is_in:
            continue
        work.supersede(ClipFacts, [block.pk, row], {"is_in": is_in})


def _require_row(block: Block, row: int, path: str) -> None:
    if not 1 <= row <= block.row_count:
        detail = f"{describe(block)} has rows 1 to {block.row_count}, not {row}."
        raise refuse(detail, code="invalid", path=path)
