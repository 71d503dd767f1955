"""The kinds of tests: one entry each says what it is taken at, in which unit and state, and how it is
compared with the record."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from django.db import models

from zones.electrical.expected_readings import INSULATION_PASSES_OHM
from zones.electrical.plant import ReadingKind


class TestState(models.TextChoices):
    """What the system does during a test."""

    __test__ = False  # or pytest takes it for one of its own

    IDLE = "idle", "idle"
    PAGING = "paging", "paging"


class TestSignal(models.TextChoices):
    """What is paged during a test while paging."""

    __test__ = False

    SPEECH = "speech", "speech"
    TONE = "tone", "steady tone at full level"


class TestKind(models.TextChoices):
    """Kinds of an earlier release keep their words: run_current, end_voltage, poe_power."""

    __test__ = False

    CONTINUITY = "continuity", "continuity"
    SHORTS = "shorts", "shorts"
    POLARITY = "polarity", "polarity"
    TONE_TRACE = "tone_trace", "tone trace"
    END_VOLTAGE = "end_voltage", "DC voltage at a point"
    RUN_CURRENT = "run_current", "run current at the block"
    LOOP_RESISTANCE = "loop_resistance", "loop resistance, far end shorted"
    LINE_IMPEDANCE = "line_impedance", "line impedance at 1 kHz"
    INSULATION = "insulation", "insulation resistance"
    LISTENING = "listening", "listening"
    LEVEL = "level", "level at an input, relative to the unloaded output"
    POE_POWER = "poe_power", "power of a switch's supply group"


@dataclass(frozen=True)
class Measured:
    """What a test gives as a number. ``passes_from``: it passes at this value and above. What its instrument
    may be off by is said by ``zones.electrical.reading_bench.reading_error``."""

    unit: str
    minimum: float
    maximum: float
    passes_from: float | None = None


@dataclass(frozen=True)
class KindOfTest:
    """``subjects``: what a test names: one of these sets of references. ``states``: in which it is taken;
    none: on a dead wire. ``measured``: None: it passes or fails. ``reading``: how the core computes what it
    should read; None: nothing is expected. ``caution``: what must be confirmed, by the field
    ``confirmed_by``, before it is taken."""

    subjects: tuple[frozenset[str], ...]
    states: tuple[TestState, ...] = ()
    measured: Measured | None = None
    reading: ReadingKind | None = None
    caution: str = ""
    confirmed_by: str = ""


_RUN: Final = (frozenset({"run"}),)
_POINT: Final = (frozenset({"run", "point"}),)
_EITHER: Final = (TestState.IDLE, TestState.PAGING)

KINDS: Final[Mapping[TestKind, KindOfTest]] = {
    TestKind.CONTINUITY: KindOfTest(_RUN),
    TestKind.SHORTS: KindOfTest(_RUN),
    TestKind.POLARITY: KindOfTest(_RUN),
    TestKind.TONE_TRACE: KindOfTest(_RUN),
    TestKind.END_VOLTAGE: KindOfTest(
        _POINT,
        _EITHER,
        Measured("V", 0, 10_000),
        reading=ReadingKind.END_VOLTAGE,
    ),
    TestKind.RUN_CURRENT: KindOfTest(
        _RUN,
        _EITHER,
        Measured("A", 0, 10_000),
        reading=ReadingKind.RUN_CURRENT,
    ),
    TestKind.LOOP_RESISTANCE: KindOfTest(
        _POINT,
        measured=Measured("Ω", 0, 10_000),
        reading=ReadingKind.LOOP_RESISTANCE,
    ),
    TestKind.LINE_IMPEDANCE: KindOfTest(
        _RUN,
        measured=Measured("Ω", 0, 100_000),
        reading=ReadingKind.LINE_IMPEDANCE,
    ),
    TestKind.INSULATION: KindOfTest(
        _RUN,
        measured=Measured("Ω", 0, 1e12, passes_from=INSULATION_PASSES_OHM),
        caution="Disconnect all electronics at both ends and along the run first: the test voltage of an "
        "insulation tester destroys them.",
        confirmed_by="electronics_disconnected",
    ),
    TestKind.LISTENING: KindOfTest((frozenset({"zone"}), frozenset({"run"})), (TestState.PAGING,)),
    TestKind.LEVEL: KindOfTest(
        _POINT, (TestState.PAGING,), Measured("dB", -120, 40), reading=ReadingKind.LEVEL
    ),
    TestKind.POE_POWER: KindOfTest((frozenset({"switch"}),), _EITHER, Measured("W", 0, 10_000)),
}
