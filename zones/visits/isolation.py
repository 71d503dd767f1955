"""Which clips to pull so that a run is parted from what feeds it, and what stays connected all the same.

Pure: from how conductors lie to words. A clip parts only what lies on its row, so whatever is not recorded
there, or comes in at another place, is said.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

from sites.models import Block
from sites.wording import capital, listed, numbers
from zones.models import Landing, Run


@dataclass(frozen=True)
class Lying:
    """One conductor of a run's field cable on one row of a block."""

    run_id: int
    run: str
    carries: str
    row: int
    block_id: int
    block: str
    block_kind: str
    can_isolate: bool
    closet_id: int
    closet: str
    pulled: bool

    @classmethod
    def of(cls, landing: Landing, out: Collection[tuple[int, int]]) -> Lying:
        """out: (block, row) of every clip that is out."""
        assert landing.run is not None, "what lies on the equipment side belongs to no run"
        block = landing.block
        return cls(
            run_id=landing.run.pk,
            run=landing.run.name,
            carries=landing.carries,
            row=landing.row,
            block_id=block.pk,
            block=block.name,
            block_kind=block.kind,
            can_isolate=block.can_isolate,
            closet_id=block.closet_id,
            closet=block.closet.name,
            pulled=(block.pk, landing.row) in out,
        )


@dataclass(frozen=True)
class Feed:
    """What feeds a run: at its block, or at a point along it. shocking_line: the line that it drives, in
    words, where touching it can shock."""

    name: str
    closet_id: int | None
    closet: str
    at_point: str = ""
    shocking_line: str = ""

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
    """complete: whether pulling these clips parts the run from all that feeds it, as far as is recorded."""

    sentence: str
    complete: bool
    clips: tuple[Clips, ...]


_DC = frozenset({Landing.Carries.DC_POSITIVE, Landing.Carries.DC_NEGATIVE})


def isolation_of(
    run_id: int, kind: str, lying: Sequence[Lying], feeds: Iterable[Feed], closet_id: int
) -> Isolation:
    """lying: conductors of this run and of all others that may share its rows. closet_id: from where it is
    told; what stands in another closet is said with it."""
    own = [one for one in lying if one.run_id == run_id]
    feeds = tuple(feeds)
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
        lost = (
            "Where this run lies on the blocks is not recorded: trace its conductors before pulling anything."
        )
        return Isolation(" ".join([*switch_off, lost, *still_fed]), complete=False, clips=())
    clips = _clips(own, closet_id)
    said = [*switch_off, *(_of_block(one) for one in clips)]
    unrecorded = _unrecorded(kind, own, feeds)
    said += unrecorded
    rows = {(one.block_id, one.row) for one in own if one.can_isolate}
    others = sorted({one.run for one in lying if one.run_id != run_id and (one.block_id, one.row) in rows})
    if others:
        said.append(f"This parts {'run' if len(others) == 1 else 'runs'} {listed(others)} as well.")
    said += still_fed
    complete = not still_fed and not unrecorded and not any(one.to_lift for one in clips)
    return Isolation(" ".join(said), complete, clips)


def _clips(own: Sequence[Lying], closet_id: int) -> tuple[Clips, ...]:
    by_block: dict[int, list[Lying]] = defaultdict(list)
    for one in own:
        by_block[one.block_id].append(one)
    found = []
    for block_id, of_block in by_block.items():
        first = of_block[0]
        pulled = {one.row for one in of_block if one.pulled}
        rows = {one.row for one in of_block}
        found.append(
            Clips(
                block_id=block_id,
                block=first.block,
                closet=first.closet,
                elsewhere=first.closet_id != closet_id,
                cross_connect=first.block_kind == Block.Kind.TYPE_110,
                to_pull=tuple(sorted(rows - pulled)) if first.can_isolate else (),
                out=tuple(sorted(pulled)) if first.can_isolate else (),
                to_lift=() if first.can_isolate else tuple(sorted(rows)),
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
        said.append(f"{capital(rows)} on {where} {'is' if len(clips.out) == 1 else 'are'} out already.")
    return " ".join(said)


def _named(one: str, rows: Sequence[int]) -> str:
    return f"{one if len(rows) == 1 else one + 's'} {numbers(rows)}"


def _unrecorded(kind: str, own: Sequence[Lying], feeds: Sequence[Feed]) -> list[str]:
    """What must lie somewhere and is recorded nowhere, so that the clips named do not part it."""
    from_block = [feed for feed in feeds if not feed.at_point]
    if not feeds:
        return ["What feeds it is not recorded: measure before touching."]
    if kind == Run.Kind.SELF_AMPLIFIED and from_block and not any(one.carries in _DC for one in own):
        return ["Where its DC conductors lie is not recorded: they stay connected. Measure before touching."]
    return []
