"""Low, likely and high values of a device or a segment of cable, from its record.

Each value of the tables can be replaced by an edited factor of that name. Low is the kindest estimate, high
the harshest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, NamedTuple

from .record import Record, Row

UNKNOWN, GUESSED, DRAWING, MARKED, MEASURED = range(5)
SPLICE, DEVICE, UNCOUNTED_GROUP = range(3)
HORN = 3
KINDS = {"ceiling_speaker": 1, "wall_speaker": 2, "horn": HORN}
NAN = math.nan
FIRST, MIDDLE, LAST, ALONE = range(4)
UNKNOWN_GAUGES = (22, 24, 26)
CATEGORY_HIGH = 1.114

DEFAULTS: dict[str, float] = {
    "length_guessed_low": 0.7, "length_guessed_high": 1.5,
    "length_drawing_low": 0.95, "length_drawing_high": 1.4,
    "length_marked_low": 0.95, "length_marked_high": 1.05,
    "length_measured_low": 0.98, "length_measured_high": 1.02,
    "current_guessed_low": 0.6, "current_guessed_high": 1.6,
    "current_drawing_low": 0.8, "current_drawing_high": 1.3,
    "current_marked_low": 0.85, "current_marked_high": 1.15,
    "current_measured_low": 0.95, "current_measured_high": 1.05,
    "unknown_segment_low_m": 4, "unknown_segment_likely_m": 8, "unknown_segment_high_m": 15,
    "unknown_home_run_low_m": 15, "unknown_home_run_likely_m": 40, "unknown_home_run_high_m": 90,
    "unknown_speaker_low_a": 0.015, "unknown_speaker_likely_a": 0.025, "unknown_speaker_high_a": 0.050,
    "unknown_horn_low_a": 0.060, "unknown_horn_likely_a": 0.150, "unknown_horn_high_a": 0.350,
    "unknown_speaker_tap_low_w": 0.5, "unknown_speaker_tap_likely_w": 1, "unknown_speaker_tap_high_w": 5,
    "unknown_horn_tap_low_w": 7.5, "unknown_horn_tap_likely_w": 15, "unknown_horn_tap_high_w": 30,
    "unknown_idle_of_speech": 0.5,
    "speech_of_full_output": 0.5, "speech_of_full_output_low": 0.8, "speech_of_full_output_high": 1.3,
    "loading_fraction": 0.8,
    "conductor_rating_a": 1,
    "speakers_per_output": 40,
    "audio_loss_db": 6,
    "line_loss_db": 3,
    "poe_usage_threshold": 0.8,
    "nominal_supply_v": 24,
}  # fmt: skip
_BASES = {GUESSED: "guessed", DRAWING: "drawing", MARKED: "marked", MEASURED: "measured"}


class Bands(NamedTuple):
    """Kindest, likely and harshest value; NaN: not known."""

    low: float
    likely: float
    high: float

    def times(self, other: Bands | float) -> Bands:
        by = other if isinstance(other, Bands) else Bands(other, other, other)
        return Bands(self.low * by.low, self.likely * by.likely, self.high * by.high)


NOTHING = Bands(0.0, 0.0, 0.0)


@dataclass
class PointValues:
    """What one row of a point puts on its networks, of all devices there together, and its segment of cable.

    whole_m: of the segment, or of what it is a share of. per_m: Ω of one conductor. watts are drawn at
    constant power. scaled_*: a reading may settle it.
    """

    row: Row
    count: Bands
    whole_m: Bands
    per_m: Bands
    pairs: int
    speech_a: Bands
    idle_a: Bands
    full_a: Bands
    speech_w: Bands
    idle_w: Bands
    full_w: Bands
    tap_w: Bands
    loaded: bool
    speaker_s: float
    minimum_v: float
    maximum_v: float
    input_ohm: float
    sensitivity_v: float
    rating_a: float
    scaled_speech: bool
    scaled_idle: bool
    scaled_full: bool
    scaled_length: bool

    def loop_ohm(self, band: int, *, turned: bool = False) -> float:
        """Out and back over the paralleled pairs."""
        return self.pair_ohm(band, turned=turned) / self.pairs

    def pair_ohm(self, band: int, *, turned: bool = False) -> float:
        """Out and back over one pair."""
        return 2 * self.per_m[band] * self.length_m(band, turned=turned)

    def length_m(self, band: int, *, turned: bool = False) -> float:
        """Length of a segment. Where the place of its cut is not recorded: in the harshest estimate all of it
        lies before the cut, in the kindest all behind it, seen from the side of the current (turned: from the
        far end)."""
        share, place = self.row["length_share"], self.row["length_share_place"]
        whole = self.whole_m[band]
        if share is None:
            return whole
        if band == 1:
            return whole * float(share)
        has_it = {0: LAST, 2: FIRST}[2 - band if turned else band]
        return whole if place == has_it or (place == ALONE and band == 2) else 0.0


class Values:
    """The values of a record's rows."""

    def __init__(self, record: Record) -> None:
        self.record = record
        self.factors = {**DEFAULTS, **record.factors}

    def band(self, quantity: str, basis: int) -> Bands:
        """Multiples of the likely value."""
        word = _BASES[basis]
        return Bands(self.factors[f"{quantity}_{word}_low"], 1.0, self.factors[f"{quantity}_{word}_high"])

    def unknown(self, stem: str, unit: str) -> Bands:
        return Bands(*(float(self.factors[f"{stem}_{band}_{unit}"]) for band in ("low", "likely", "high")))

    def length_m(self, length: float | None, basis: int | None, *, home_run: bool) -> Bands:
        if length is None or not basis:
            return self.unknown("unknown_home_run" if home_run else "unknown_segment", "m")
        return self.band("length", basis).times(length)

    def _whole_m(self, row: Row) -> Bands:
        """Length of the whole segment: for a share, of all shares together."""
        length = row["length_m"]
        if length is not None and row["length_share"] is not None:
            length /= row["length_share"]
        home_run = self.record.share_before(row)["parent_id"] is None
        return self.length_m(length, row["length_basis"], home_run=home_run)

    def conductor_ohm_per_m(self, cable: int | None, own_c: float | None = None) -> Bands:
        """One conductor at the run's own design temperature, else the site's; the cold of a site does
        not count in the harshest estimate."""
        said = self.record.cables[cable] if cable is not None else {}
        gauge = said.get("gauge_awg")
        gauges = UNKNOWN_GAUGES if gauge is None else (gauge,) * 3
        likely_c = self.record.temperature_c if own_c is None else own_c
        harshest_c = max(likely_c, 20.0) if own_c is None else own_c
        low, likely, high = map(ohm_per_m, gauges, (likely_c, likely_c, harshest_c))
        if gauge is not None and said["category"]:
            high *= CATEGORY_HIGH
        return Bands(low, likely, high)

    def point(self, row: Row) -> PointValues:
        run_kind = self.record.run_kind[row["run_id"]]
        model = self.record.model(row["model_id"])
        kind = KINDS.get(model["kind"], 0) if model else row["device_kind"]
        count = self._count(row)
        loaded = count.high > 0
        cable = self.record.cables[row["cable_type_id"]] if row["cable_type_id"] is not None else {}
        impedance = model.get("nominal_impedance_ohm")
        values = PointValues(
            row=row,
            count=count,
            whole_m=self._whole_m(row),
            per_m=self.conductor_ohm_per_m(row["cable_type_id"], row["design_temperature_c"]),
            pairs=row["dc_pairs"] or 1,
            speech_a=NOTHING,
            idle_a=NOTHING,
            full_a=NOTHING,
            speech_w=NOTHING,
            idle_w=NOTHING,
            full_w=NOTHING,
            tap_w=NOTHING,
            loaded=loaded,
            speaker_s=NAN if impedance is None else 1 / impedance,
            minimum_v=_number(model.get("minimum_voltage_v")),
            maximum_v=_number(model.get("maximum_voltage_v")),
            input_ohm=_number(model.get("input_impedance_ohm")),
            sensitivity_v=_number(model.get("input_sensitivity_v")),
            rating_a=self._conductor_rating(cable),
            scaled_speech=False,
            scaled_idle=False,
            scaled_full=False,
            scaled_length=row["length_m"] is None or row["length_basis"] < MARKED,
        )
        if loaded and run_kind == "self_amplified":
            self._set_dc(values, model, kind)
        if loaded and run_kind == "constant_voltage":
            tap = self._tap_w(row, model, kind)
            values.tap_w = tap.times(count)
        return values

    def _count(self, row: Row) -> Bands:
        if row["kind"] == UNCOUNTED_GROUP:
            return Bands(float(row["count_low"]), float(row["count_likely"]), float(row["count_high"]))
        return Bands(1.0, 1.0, 1.0) if row["kind"] == DEVICE else NOTHING

    def _conductor_rating(self, cable: dict[str, Any]) -> float:
        """The cable's own; else 1 A, but for what is thinner than 24 AWG."""
        if cable.get("conductor_rating_a") is not None:
            return float(cable["conductor_rating_a"])
        gauge = cable.get("gauge_awg")
        return float(self.factors["conductor_rating_a"]) if gauge is None or gauge <= 24 else NAN

    def _usual(self, kind: int, what: str, unit: str) -> Bands:
        """Value of a device of which only the kind is recorded. Where not even the kind is: from the least of
        a speaker to the most of a horn, and likely a speaker."""
        speaker, horn = (self.unknown(f"unknown_{of}{what}", unit) for of in ("speaker", "horn"))
        return {0: speaker._replace(high=horn.high), HORN: horn}.get(kind, speaker)

    def _tap_w(self, row: Row, model: dict[str, Any], kind: int) -> Bands:
        if row["tap_power_w"] is None or not row["tap_basis"]:
            taps = sorted(model.get("taps_w") or [])
            if taps:
                return Bands(taps[0], taps[(len(taps) + 1) // 2 - 1], taps[-1])
            return self._usual(kind, "_tap", "w")
        return self.band("current", row["tap_basis"]).times(row["tap_power_w"])

    def _set_dc(self, values: PointValues, model: dict[str, Any], kind: int) -> None:
        row = values.row
        basis = row["current_basis"]
        unknown_a = self._usual(kind, "", "a")
        half = self.factors["unknown_idle_of_speech"]
        idle = _first(row["idle_current_a"], model.get("idle_current_a"))
        speech = _first(row["speech_current_a"], model.get("speech_current_a"))
        full, full_w, idle_w = (
            model.get("full_output_current_a"), model.get("full_output_power_w"), model.get("idle_power_w")
        )  # fmt: skip
        of_full = self.factors["speech_of_full_output"]
        # the data sheet, which is all that a marked current is of, does not say what speech draws
        rule_of_thumb = speech is None and basis == MARKED
        if speech is None and full is not None:
            speech = max(full * of_full, idle or 0.0)
        if speech is None and full_w is not None:
            # stated in watts and in nothing else: drawn at constant power
            if not basis:
                speech_w = unknown_a.times(self.factors["nominal_supply_v"])
            elif rule_of_thumb:
                speech_w = self._part_of(full_w, idle_w)
            else:
                speech_w = self.band("current", basis).times(max(full_w * of_full, idle_w or 0.0))
            if idle_w is not None and basis:
                idle_band = self.band("current", basis).times(float(idle_w))
            else:
                idle_band = speech_w.times(half)
            full_band = speech_w.times(1 / of_full)
            if basis:
                full_band = self.band("current", basis).times(max(full_w, idle_w or 0.0))
            values.speech_w, values.idle_w = speech_w.times(values.count), idle_band.times(values.count)
            values.full_w = full_band.times(values.count)
        else:
            speech_a = unknown_a
            idle_band = unknown_a.times(half)
            if speech is not None and basis:
                speech_a = self.band("current", basis).times(speech)
                if rule_of_thumb:
                    assert full is not None
                    speech_a = self._part_of(full, idle)
                idle_band = speech_a.times(half)
                if idle is not None:
                    idle_band = self.band("current", basis).times(idle)
            full_band = speech_a.times(1 / of_full)
            if basis and full is not None and speech is not None:
                full_band = self.band("current", basis).times(max(full, speech))
            values.speech_a, values.idle_a = speech_a.times(values.count), idle_band.times(values.count)
            values.full_a = full_band.times(values.count)
        judged_well = basis >= MARKED and (speech is not None or full_w is not None)
        poorly = not judged_well or values.count.low != values.count.high
        values.scaled_speech = poorly or rule_of_thumb
        in_watts = speech is None and full_w is not None
        values.scaled_full = poorly or (full_w if in_watts else full) is None
        values.scaled_idle = poorly or (rule_of_thumb and idle is None and idle_w is None)

    def _part_of(self, full: float, idle: float | None) -> Bands:
        """Speech where only full output is stated: about half of it, never under idle nor over full."""
        half = full * self.factors["speech_of_full_output"]
        least, most = idle or 0.0, max(full, idle or 0.0)
        low, high = (half * self.factors[f"speech_of_full_output_{end}"] for end in ("low", "high"))
        return Bands(*(min(max(part, least), most) for part in (low, half, high)))


def ohm_per_m(gauge: float, temperature_c: float) -> float:
    """ASTM B258 diameter, IEC 60028 copper: 1/58 Ω·mm²/m at 20 °C, 0.00393 more a kelvin."""
    diameter_mm = 25.4 * 0.005 * 92.0 ** ((36 - gauge) / 39)
    per_m: float = (1 / 58) / (math.pi * diameter_mm**2 / 4) * (1 + 0.00393 * (temperature_c - 20))
    return per_m


def _number(value: float | None) -> float:
    return NAN if value is None else float(value)


def _first(*values: float | None) -> float | None:
    return next((value for value in values if value is not None), None)
