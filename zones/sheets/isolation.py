"""Which clips to pull to disconnect a run from what feeds it, and what stays connected nevertheless.

Pure: from the landings to words. A clip disconnects only what is on its row, so the sentence names everything
that is not recorded there, or feeds the run at another place.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from sites.models import Block
from sites.wording import capital, listed, numbers, plural
from zones.models import Landing, Run


@dataclass(frozen=True)
class Feed:
    """What feeds a run: at its block, or at a point along it. shocking_line: the line that it drives, in
    words, where touching it can shock. silences: all that falls silent while it is off, in words."""

    name: str
    closet_id: int | None
    closet: str
    at_point: str = ""
    shocking_line: str = ""
    silences: str = ""

    def named(self, from_closet_id: int) -> str:
        """With its closet, where that is another one."""
        if self.closet_id in (None, from_closet_id):
            return self.name
        return f"{self.name} (in closet {self.closet})"


@dataclass(frozen=True)
class Clips:
    """Rows of one block. to_pull: clips that are in. out: clips that are out already. to_lift: rows from
    which conductors must be taken, since nothing on the block can be pulled."""

    block_id: int
    block: str
    closet: str
    elsewhere: bool
    cross_connect: bool
    to_pull: tuple[int, ...]
    out: tuple[int, ...]
    to_lift: tuple[int, ...]


@dataclass(frozen=True)
class Isolation:
    """complete: whether pulling these clips disconnects the run from all that feeds it, as far as is
    recorded."""

    sentence: str
    complete: bool
    clips: tuple[Clips, ...]


_DC = frozenset({Landing.Carries.DC_POSITIVE, Landing.Carries.DC_NEGATIVE})


def isolation_of(
    run: Run,
    landings: Sequence[Landing],
    out: Collection[tuple[int, int]],
    feeds: Collection[Feed],
    closet_id: int,
    tell: str = "",
) -> Isolation:
    """How to disconnect a run from all that feeds it, what falls silent with that, and whom to tell.

    landings: of this run's conductors and of those of others that may share its rows, with their blocks and
    closets. out: (block, row) of every clip that is out. closet_id: the closet where the reader stands;
    what is in another closet is named with it. tell: who must know, by name.
    """
    silent = [
        f"Silent while {feed.named(closet_id)} is off: {feed.silences}." for feed in feeds if feed.silences
    ]
    if silent:
        silent.append(
            f"Tell {tell} before and after."
            if tell
            else "Tell the people there before and after: no site contact is recorded."
        )
    own = [one for one in landings if one.run_id == run.pk]
    switch_off = [
        f"First switch off {feed.named(closet_id)}, which drives {feed.shocking_line}, and lock it out."
        for feed in feeds
        if feed.shocking_line
    ]
    still_fed = [
        f"It stays fed by {feed.named(closet_id)} at point {feed.at_point}: switch that off and lock it out."
        for feed in feeds
        if feed.at_point
    ]
    if not own:
        lost = "The rows of this run are not recorded: trace its conductors before you pull anything."
        return Isolation(" ".join([*switch_off, lost, *still_fed, *silent]), complete=False, clips=())
    clips = _clips(own, out, closet_id)
    unrecorded = _unrecorded(run.kind, own, feeds)
    rows = {(one.block_id, one.row) for one in own if one.block.can_isolate}
    others = sorted(
        {
            other.run.name
            for other in landings
            if other.run is not None and other.run_id != run.pk and (other.block_id, other.row) in rows
        }
    )
    also = f"This disconnects {plural(len(others), 'run')} {listed(others)} as well."
    said = [
        *switch_off,
        *map(_of_block, clips),
        *unrecorded,
        *([also] if others else []),
        *still_fed,
        *silent,
    ]
    complete = not still_fed and not unrecorded and not any(one.to_lift for one in clips)
    return Isolation(" ".join(said), complete, clips)


def _clips(own: Sequence[Landing], out: Collection[tuple[int, int]], closet_id: int) -> tuple[Clips, ...]:
    by_block: dict[Block, set[int]] = defaultdict(set)
    for one in own:
        by_block[one.block].add(one.row)
    found = []
    for block, rows in by_block.items():
        pulled = {row for row in rows if (block.pk, row) in out}
        found.append(
            Clips(
                block_id=block.pk,
                block=block.name,
                closet=block.closet.name,
                elsewhere=block.closet_id != closet_id,
                cross_connect=block.kind == Block.Kind.TYPE_110,
                to_pull=tuple(sorted(rows - pulled)) if block.can_isolate else (),
                out=tuple(sorted(pulled)) if block.can_isolate else (),
                to_lift=() if block.can_isolate else tuple(sorted(rows)),
            )
        )
    # Where one stands comes first
    return tuple(sorted(found, key=lambda clips: (clips.elsewhere, clips.closet, clips.block)))


def _of_block(clips: Clips) -> str:
    where = f"{clips.block} (in closet {clips.closet})" if clips.elsewhere else clips.block
    if clips.to_lift:
        rows = _named("row", clips.to_lift)
        return f"Nothing on {where} can be pulled: switch off what feeds it, then take its wires off {rows}."
    said = []
    if clips.to_pull:
        rows = _named("row" if clips.cross_connect else "clip", clips.to_pull)
        said.append(f"{'Lift the cross-connect of' if clips.cross_connect else 'Pull'} {rows} on {where}.")
    if clips.out:
        rows = _named("cross-connect" if clips.cross_connect else "clip", clips.out)
        said.append(f"{capital(rows)} on {where} {plural(len(clips.out), 'is', 'are')} out already.")
    return " ".join(said)


def _named(one: str, rows: Sequence[int]) -> str:
    return f"{plural(len(rows), one)} {numbers(rows)}"


def _unrecorded(kind: str, own: Sequence[Landing], feeds: Collection[Feed]) -> list[str]:
    """What must be somewhere and is recorded nowhere, so that the clips named do not disconnect the run."""
    from_block = [feed for feed in feeds if not feed.at_point]
    if not feeds:
        return ["What feeds it is not recorded: find it and lock it out before you touch it."]
    if kind == Run.Kind.SELF_AMPLIFIED and from_block and not any(one.carries in _DC for one in own):
        return [
            "The rows of its DC are not recorded: it stays connected. Unplug its supply before you touch it."
        ]
    return []
