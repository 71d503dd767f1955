"""Which clips disconnect a run from what feeds it, and what the sentence says where they do not."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

from sites.models import Block, Closet
from zones.models import Landing, Run
from zones.sheets.isolation import Feed, isolation_of

HERE, THERE = 1, 2
SUPPLY = Feed("supply PS 1", HERE, "MDF")


def lying(
    row: int,
    *,
    run: int = 1,
    carries: str = Landing.Carries.DC_NEGATIVE,
    block_id: int = 10,
    block: str = "B1",
    kind: str = Block.Kind.SPLIT_66,
    closet_id: int = HERE,
    closet: str = "MDF",
) -> Landing:
    on = Block(pk=block_id, name=block, kind=kind, closet=Closet(pk=closet_id, name=closet))
    return Landing(run=Run(pk=run, name=f"R{run}"), block=on, row=row, carries=carries)


def isolated(
    own: list[Landing],
    *feeds: Feed,
    kind: str = Run.Kind.SELF_AMPLIFIED,
    out: Collection[tuple[int, int]] = (),
) -> tuple[str, bool]:
    found = isolation_of(Run(pk=1, name="R1", kind=kind), own, out, feeds, HERE)
    return found.sentence, found.complete


def test_all_its_clips_in_one_sentence() -> None:
    assert isolated([lying(row) for row in (1, 2, 3, 4)], SUPPLY) == ("Pull clips 1 to 4 on B1.", True)
    assert isolated([lying(7)], SUPPLY) == ("Pull clip 7 on B1.", True)


def test_blocks_here_come_before_blocks_elsewhere_which_are_named() -> None:
    far: dict[str, Any] = {"block_id": 20, "block": "A1", "closet_id": THERE, "closet": "IDF-2"}
    said, complete = isolated([lying(5, **far), lying(6, **far), lying(1), lying(2)], SUPPLY)
    assert said == "Pull clips 1 and 2 on B1. Pull clips 5 and 6 on A1 (in closet IDF-2)."
    assert complete


def test_what_is_out_already_is_said_and_not_pulled_again() -> None:
    said, complete = isolated([lying(1), lying(2)], SUPPLY, out={(10, 2), (20, 1)})
    assert (said, complete) == ("Pull clip 1 on B1. Clip 2 on B1 is out already.", True)
    assert isolated([lying(1), lying(2)], SUPPLY, out={(10, 1), (10, 2)}) == (
        "Clips 1 and 2 on B1 are out already.",
        True,
    )


def test_a_cross_connect_is_lifted() -> None:
    strip: dict[str, Any] = {"kind": Block.Kind.TYPE_110}
    assert isolated([lying(1, **strip), lying(2, **strip)], SUPPLY)[0] == (
        "Lift the cross-connect of rows 1 and 2 on B1."
    )


def test_where_nothing_can_be_pulled_wires_come_off_and_it_is_not_called_disconnected() -> None:
    screws: dict[str, Any] = {"kind": Block.Kind.SCREW}
    said, complete = isolated([lying(1, **screws), lying(2, **screws)], SUPPLY)
    assert (
        said == "Nothing on B1 can be pulled: switch off what feeds it, then take its wires off rows 1 and 2."
    )
    assert not complete


def test_another_run_on_the_same_clip_is_named() -> None:
    said, _ = isolated([lying(1), lying(2), lying(2, run=3), lying(9, run=4)], SUPPLY)
    assert said == "Pull clips 1 and 2 on B1. This disconnects run R3 as well."


def test_a_run_on_another_blocks_row_of_the_same_number_is_not_named() -> None:
    other_block: dict[str, Any] = {"block_id": 20, "block": "B2"}
    here = [lying(1), lying(2), lying(2, run=3, **other_block), lying(1, run=4, **other_block)]
    assert isolated(here, SUPPLY) == ("Pull clips 1 and 2 on B1.", True)


def test_a_supply_along_the_run_keeps_it_energised() -> None:
    along = Feed("supply PS 2", THERE, "IDF-2", at_point="6")
    said, complete = isolated([lying(1), lying(2)], SUPPLY, along)
    assert said.endswith(
        "It stays fed by supply PS 2 (in closet IDF-2) at point 6: switch that off and lock it out."
    )
    assert not complete


def test_a_line_that_shocks_is_switched_off_first() -> None:
    amplifier = Feed("amplifier A 1", HERE, "MDF", shocking_line="a line of 70.7 V")
    hot = [lying(1, carries=Landing.Carries.LINE_HOT), lying(2, carries=Landing.Carries.LINE_COMMON)]
    said, complete = isolated(hot, amplifier, kind=Run.Kind.CONSTANT_VOLTAGE)
    assert said.startswith(
        "First switch off amplifier A 1, which drives a line of 70.7 V, and lock it out. Pull"
    )
    assert complete


def test_what_is_not_recorded_is_never_called_disconnected() -> None:
    nowhere, complete = isolated([], SUPPLY)
    assert nowhere.startswith("The rows of this run are not recorded")
    assert not complete
    audio = [
        lying(1, carries=Landing.Carries.AUDIO_POSITIVE),
        lying(2, carries=Landing.Carries.AUDIO_NEGATIVE),
    ]
    no_dc, complete = isolated(audio, SUPPLY)
    assert no_dc.endswith(
        "The rows of its DC are not recorded: it stays connected. Unplug its supply before you touch it."
    )
    assert not complete
    no_feed, complete = isolated([lying(1)])
    assert no_feed.endswith("What feeds it is not recorded: find it and lock it out before you touch it.")
    assert not complete


def test_everything_that_falls_silent_with_the_source_is_named_and_who_must_know() -> None:
    supply = Feed("supply PS 1", HERE, "MDF", silences="zone Gangway (serves life safety) and zone Quay")
    own = [lying(1), lying(2)]
    run = Run(pk=1, name="R1", kind=Run.Kind.SELF_AMPLIFIED)
    named = "Silent while supply PS 1 is off: zone Gangway (serves life safety) and zone Quay."
    told = isolation_of(run, own, (), [supply], HERE, "A. Stern")
    assert told.sentence == f"Pull clips 1 and 2 on B1. {named} Tell A. Stern before and after."
    untold = isolation_of(run, [], (), [supply], HERE)
    assert untold.sentence.endswith(
        f"{named} Tell the people there before and after: no site contact is recorded."
    )
