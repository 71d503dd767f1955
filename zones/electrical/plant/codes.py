"""Kinds and states, as the plant's arrays hold them; −1 is unknown."""

from __future__ import annotations

from enum import IntEnum


class RunKind(IntEnum):
    SELF_AMPLIFIED, CONSTANT_VOLTAGE, LOW_IMPEDANCE = range(3)


class PointKind(IntEnum):
    SPLICE, DEVICE, UNCOUNTED_GROUP = range(3)


class SharePlace(IntEnum):
    """Where a share of a segment lies, that was cut at a distance not recorded: from the block on. ALONE: the
    others are recorded otherwise since, so it may be any part of the whole."""

    FIRST, MIDDLE, LAST, ALONE = range(4)


class BlockKind(IntEnum):
    SPLIT_66, UNSPLIT_66, TYPE_110, SCREW = range(4)


class ReadingKind(IntEnum):
    """What is read: the run's current at the block, DC voltage at a point, the loop resistance of the audio
    pair shorted at a point, a line's impedance at 1 kHz, the level at an input."""

    RUN_CURRENT, END_VOLTAGE, LOOP_RESISTANCE, LINE_IMPEDANCE, LEVEL = range(5)


class State(IntEnum):
    """State in which a value is read: idle, while paging speech, or with a steady tone at full level."""

    IDLE, PAGING, TONE = range(3)


class PortPriority(IntEnum):
    CRITICAL, HIGH, LOW = range(3)


class CableListing(IntEnum):
    COMMUNICATIONS, CLASS_2, CLASS_3, POWER = range(4)


class OutputClass(IntEnum):
    CLASS_1, CLASS_2, CLASS_3, UNMARKED = range(4)


class Jurisdiction(IntEnum):
    UNITED_STATES, CANADA, ELSEWHERE = range(3)


class Service(IntEnum):
    PLANNED, IN_SERVICE, OUT_OF_SERVICE = range(3)


class Signal(IntEnum):
    SPEECH, TONES = range(2)


class Carries(IntEnum):
    AUDIO_POSITIVE, AUDIO_NEGATIVE, DC_POSITIVE, DC_NEGATIVE, LINE_HOT, LINE_COMMON, SPARE = range(7)
