"""What lies on termination blocks, counted by hand.

DC on an audio output or input destroys it; a clip that is out parts the two halves of its row; how many
conductors a contact takes: common practice, no source, and the data sheet of the block governs.
"""

from __future__ import annotations

import pytest

from tests.zones.electrical.judged import figure, figures, has
from tests.zones.electrical.plants import ToyPlant
from zones.electrical import plant as p
from zones.electrical.evaluate import Evaluation
from zones.electrical.verdicts import Verdict
from zones.limits.limit import Severity
from zones.limits.registry import limit_by_code

PAST, WITHIN = Verdict.PAST, Verdict.WITHIN
OUTPUT, SUPPLY, RUN, OTHER_RUN = range(4)
CARRIES = {
    "A+": p.Carries.AUDIO_POSITIVE, "A-": p.Carries.AUDIO_NEGATIVE,
    "D+": p.Carries.DC_POSITIVE, "D-": p.Carries.DC_NEGATIVE, "--": p.Carries.SPARE,
    "L+": p.Carries.LINE_HOT, "L-": p.Carries.LINE_COMMON,
}  # fmt: skip


def block_with(*conductors: tuple[int, int, int, str]) -> ToyPlant:
    """A block with conductors: row, cable, pair, what is carried; those of runs are on the field side."""
    toy = ToyPlant()
    block = toy.block()
    for row, cable, pair, carries in conductors:
        toy.add(
            "landings",
            block_index=block,
            row=row,
            field_side=cable in (RUN, OTHER_RUN),
            cable_code=cable,
            pair=pair,
            carries=CARRIES[carries],
        )
    return toy


def first_row(found: Evaluation, code: str) -> int:
    (row,) = found.detail[found.rule == [rule.code for rule in found.rules].index(code)]
    return int(row)


def audio_on_rows_1_and_2() -> list[tuple[int, int, int, str]]:
    return [(1, OUTPUT, 1, "A+"), (2, OUTPUT, 1, "A-"), (1, RUN, 1, "A+"), (2, RUN, 1, "A-")]


@pytest.mark.parametrize(
    ("also", "rows", "first"),
    [
        # DC on rows 3 and 4, in pairs of its own
        ([(3, SUPPLY, 1, "D+"), (4, SUPPLY, 1, "D-"), (3, RUN, 2, "D+"), (4, RUN, 2, "D-")], 0, -1),
        # the supply one row too high: its positive lies on the row of audio −
        ([(2, SUPPLY, 1, "D+"), (3, SUPPLY, 1, "D-"), (3, RUN, 2, "D+"), (4, RUN, 2, "D-")], 1, 2),
        # the run's DC pair on the output's rows
        ([(1, RUN, 2, "D+"), (2, RUN, 2, "D-")], 2, 1),
        # rows of their own, but the DC negative is in the run's pair that carries audio: rows 1, 2 and 4
        ([(3, RUN, 2, "D+"), (4, RUN, 1, "D-")], 3, 1),
        # a pair of the same number of another run is another pair
        ([(3, OTHER_RUN, 1, "D+"), (4, OTHER_RUN, 1, "D-")], 0, -1),
        # a spare conductor carries neither
        ([(1, RUN, 2, "--"), (2, RUN, 3, "--")], 0, -1),
    ],
)
def test_rows_on_which_dc_and_audio_meet(
    also: list[tuple[int, int, int, str]], rows: int, first: int
) -> None:
    found = figures(block_with(*audio_on_rows_1_and_2(), *also))
    verdict = PAST if rows else WITHIN
    assert figure(found, "dc_on_audio") == (rows, rows, rows, 0, verdict)
    assert first_row(found, "dc_on_audio") == first


def test_dc_on_audio_of_one_block_is_not_another_ones() -> None:
    toy = block_with(*audio_on_rows_1_and_2())
    other = toy.block()
    toy.add("landings", block_index=other, row=1, cable_code=SUPPLY, carries=p.Carries.DC_POSITIVE)
    found = figures(toy)
    assert figure(found, "dc_on_audio", 0)[1] == 0
    assert figure(found, "dc_on_audio", 1)[1] == 0


def test_audio_with_dc_together_is_found_on_the_site_of_one_zone_too() -> None:
    """That audio and DC share a block is advice for sites of several zones; on one row it is a hazard
    anywhere."""
    toy = block_with((1, OUTPUT, 1, "A+"), (1, SUPPLY, 1, "D+"))
    toy.add("zones", zone_id=1)
    found = figures(toy)
    assert figure(found, "audio_with_dc")[1] == 0
    assert figure(found, "dc_on_audio")[4] is PAST


@pytest.mark.parametrize(
    ("out", "rows", "first"),
    [
        ([], 0, -1),
        ([2], 1, 2),
        ([1, 2], 2, 1),
        # row 3 has the field cable alone, rows 4 and 5 a spare conductor, row 9 nothing: none to join
        ([3, 4, 5, 9], 0, -1),
    ],
)
def test_rows_that_are_silent_because_their_clip_is_out(out: list[int], rows: int, first: int) -> None:
    toy = block_with(*audio_on_rows_1_and_2(), (3, RUN, 2, "D+"), (4, RUN, 2, "D-"), (4, SUPPLY, 1, "--"))
    for cable, carries in ((SUPPLY, p.Carries.DC_POSITIVE), (RUN, p.Carries.SPARE)):
        toy.add("landings", row=5, field_side=cable == RUN, cable_code=cable, pair=3, carries=carries)
    other = toy.block()
    toy.add("clips", block_index=other, row=1, clip_code=2001)
    for row in out:
        toy.add("clips", block_index=0, row=row, clip_code=1000 + row)
    toy.add("clips", block_index=0, row=1, clip_code=1001, is_in=True, end=5)
    found = figures(toy)
    assert figure(found, "clip_out") == (rows, rows, rows, 0, PAST if rows else WITHIN)
    assert first_row(found, "clip_out") == first


def test_a_clip_is_out_from_the_step_at_which_it_was_pulled_until_it_is_inserted() -> None:
    toy = block_with(*audio_on_rows_1_and_2())
    toy.add("clips", row=1, step=4, end=8)
    toy.add("clips", row=1, step=8, is_in=True)
    assert [figure(figures(toy, step), "clip_out")[1] for step in (3, 4, 7, 8)] == [0, 1, 1, 0]


@pytest.mark.parametrize(
    ("kind", "clip_in", "takes"),
    [
        (p.BlockKind.SPLIT_66, True, 1),
        (p.BlockKind.SPLIT_66, False, 2),
        (p.BlockKind.UNSPLIT_66, True, 2),
        (p.BlockKind.TYPE_110, True, 1),
        (p.BlockKind.TYPE_110, False, 1),
        (p.BlockKind.SCREW, True, 2),
    ],
)
@pytest.mark.parametrize("conductors", [1, 2, 3])
def test_how_many_conductors_one_side_of_a_row_takes(
    kind: int, clip_in: bool, takes: int, conductors: int
) -> None:
    toy = ToyPlant()
    toy.block(kind)
    for pair in range(conductors):
        toy.add("landings", row=5, field_side=True, cable_code=RUN, pair=pair)
    toy.add("landings", row=5, cable_code=OUTPUT)
    toy.add("clips", row=5, is_in=clip_in)
    found = figures(toy)
    low, likely, high, limit, verdict = figure(found, "row_used_twice")
    assert (verdict is PAST) == (conductors > takes)
    # where both sides are as far from what they take, the side of the equipment is shown
    assert (likely, limit) == (conductors, takes)
    assert (low, high, first_row(found, "row_used_twice")) == (likely, likely, 5)


def test_the_row_that_is_furthest_beyond_what_it_takes_is_judged() -> None:
    """Row 3: two where two may be, its clip is out. Row 7: two where one may be."""
    toy = ToyPlant()
    toy.block()
    for row in (3, 3, 7, 7):
        toy.add("landings", row=row, field_side=True, cable_code=RUN)
    toy.add("clips", row=3)
    found = figures(toy)
    assert figure(found, "row_used_twice")[1:] == (2, 2, 1, PAST)
    assert first_row(found, "row_used_twice") == 7


@pytest.mark.parametrize(
    ("kind", "stranded", "category", "segments"),
    [
        (p.BlockKind.SPLIT_66, 1, False, 1),
        (p.BlockKind.UNSPLIT_66, 1, False, 1),
        (p.BlockKind.TYPE_110, 1, True, 1),  # a patch cable
        (p.BlockKind.SPLIT_66, 0, False, 0),
        (p.BlockKind.SPLIT_66, -1, True, 0),  # category cable is solid
        (p.BlockKind.SPLIT_66, -1, False, None),  # nothing is recorded, and nothing said
        (p.BlockKind.SCREW, 1, False, None),  # a screw takes either
    ],
)
def test_stranded_wire_on_insulation_displacement_contacts(
    kind: int, stranded: int, category: bool, segments: int | None
) -> None:
    """66- and 110-type blocks have such contacts, screw strips have none. The second segment lands on no
    block."""
    toy = ToyPlant()
    run = toy.run(kind=p.RunKind.CONSTANT_VOLTAGE, block_kind=kind)
    toy.chain(run, 2, cable_index=toy.cable(stranded=stranded, category=category))
    found = figures(toy)
    if segments is None:
        assert not has(found, "stranded_on_idc")
    else:
        verdict = PAST if segments else WITHIN
        assert figure(found, "stranded_on_idc") == (segments, segments, segments, 0, verdict)
        assert first_row(found, "stranded_on_idc") == (1000 if segments else -1)


def test_one_stranded_segment_is_enough_where_the_others_are_not_recorded() -> None:
    toy = ToyPlant()
    run = toy.run(kind=p.RunKind.CONSTANT_VOLTAGE)
    for stranded in (-1, 1, 0):
        toy.chain(run, 1, cable_index=toy.cable(stranded=stranded))
    found = figures(toy)
    assert figure(found, "stranded_on_idc")[1] == 1
    assert first_row(found, "stranded_on_idc") == 1001


@pytest.mark.parametrize(
    ("equipment", "field", "code", "other"),
    [
        ("D+", "D-", "polarity_reversed", "audio_reversed"),
        ("A+", "A-", "audio_reversed", "polarity_reversed"),
        ("L-", "L+", "audio_reversed", "polarity_reversed"),
    ],
)
def test_reversed_dc_is_not_reversed_audio(equipment: str, field: str, code: str, other: str) -> None:
    """Reversed DC leaves a speaker dead or damaged; reversed audio or line cancels in the overlap of two
    speakers and does not silence: two limits of their own severity."""
    found = figures(block_with((6, OUTPUT, 1, equipment), (6, RUN, 1, field), (7, OUTPUT, 1, "--")))
    assert figure(found, code) == (1, 1, 1, 0, PAST)
    assert first_row(found, code) == 6
    assert figure(found, other)[1] == 0


def test_the_severity_of_a_reversed_pair_says_what_it_does() -> None:
    dc, audio = limit_by_code("polarity_reversed"), limit_by_code("audio_reversed")
    assert (dc.severity, audio.severity) == (Severity.HAZARD, Severity.SOUND_SUFFERS)
    assert "silent or damaged" in dc.template
    assert "still sound, and cancel" in audio.template


def test_nothing_is_said_of_stranded_wire_where_a_segment_is_not_recorded() -> None:
    toy = ToyPlant()
    run = toy.run(block_kind=p.BlockKind.TYPE_110)
    for stranded in (0, -1):
        toy.chain(run, 1, cable_index=toy.cable(stranded=stranded))
    assert not has(figures(toy), "stranded_on_idc")
