"""The load of each point row and the resistance of each segment, in three bands.

Computed once for all rows of a plant; members only select rows. Bands: (3, n), see ``bands``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .bands import (
    CATEGORY_HIGH_RESISTANCE,
    HIGH,
    LIKELY,
    LOW,
    Basis,
    Factors,
    FloatArray,
    IntArray,
    by_kind,
    lengths,
    loads,
)
from .conductors import design_temperature_c, resistance_ohm_per_m
from .figures import first_known, lookup
from .plant import BoolArray, Plant, PointKind, RunKind
from .shared_lengths import Wholes, deal, wholes

UNKNOWN_GAUGE_AWG = np.array([22.0, 24.0, 26.0])
THINNEST_OF_1_A_AWG = 24.0
"""A thinner conductor without a rating cannot be judged; common practice, no source."""


@dataclass(frozen=True)
class PointLoads:
    """By point row; n rows.

    length_m, loop_resistance_ohm (paralleled DC pairs), pair_resistance_ohm (one pair, for audio): (3, n).
    whole_m: (3, n) length of the whole that a segment is a share of, or its own; whole: what that is; share,
    share_place: (n,), see ``shared_lengths``. pair_ohm_per_m: (3, n) out and back [Ω/m].
    speech_a, idle_a, full_a, speech_w, idle_w, full_w, tap_w: (3, n), of all devices at the point; full: at
    full output. count: (3, n).
    speaker_conductance_s: (n,) of one low-impedance speaker, NaN unknown. minimum_voltage_v,
    maximum_voltage_v, input_impedance_ohm, input_sensitivity_v, conductor_rating_a: (n,), NaN unknown.
    conductors: (n,) paralleled in one leg. loaded: (n,) True where a device is. supported: (n,) True where
    the load rests on measured or marked data. scaled_speech, scaled_idle, scaled_full, scaled_length: (n,)
    True where a reading may scale the value. pairs_recorded, current_recorded: (n,) True where the point's
    own row has the pairs, the speech current.
    """

    whole: Wholes
    whole_m: FloatArray
    share: FloatArray
    share_place: IntArray
    pair_ohm_per_m: FloatArray
    length_m: FloatArray
    loop_resistance_ohm: FloatArray
    pair_resistance_ohm: FloatArray
    speech_a: FloatArray
    idle_a: FloatArray
    full_a: FloatArray
    speech_w: FloatArray
    idle_w: FloatArray
    full_w: FloatArray
    tap_w: FloatArray
    count: FloatArray
    speaker_conductance_s: FloatArray
    minimum_voltage_v: FloatArray
    maximum_voltage_v: FloatArray
    input_impedance_ohm: FloatArray
    input_sensitivity_v: FloatArray
    conductor_rating_a: FloatArray
    conductors: FloatArray
    loaded: BoolArray
    supported: BoolArray
    scaled_speech: BoolArray
    scaled_idle: BoolArray
    scaled_full: BoolArray
    scaled_length: BoolArray
    pairs_recorded: BoolArray
    current_recorded: BoolArray

    def with_wholes(self, whole_m: FloatArray) -> PointLoads:
        """These loads with other lengths. whole_m: (3, n) of the whole of each segment [m]."""
        length = deal(whole_m, self.share, self.share_place)
        pair = self.pair_ohm_per_m * length
        return replace(
            self,
            whole_m=whole_m,
            length_m=length,
            loop_resistance_ohm=pair / self.conductors,
            pair_resistance_ohm=pair,
        )

    def turned_loop_ohm(self, row: IntArray) -> FloatArray:
        """(3, x) loop resistance of rows ``row`` (x,) where the run is fed from the other end [Ω]: of shares
        of a segment, other ones are then before and behind."""
        length = deal(self.whole_m[:, row], self.share[row], self.share_place[row], turned=True)
        return np.asarray(self.pair_ohm_per_m[:, row] * length / self.conductors[row])

    def drawn(
        self, row: IntArray, speaking: BoolArray, tones: BoolArray | bool = False
    ) -> tuple[FloatArray, FloatArray]:
        """(3, x) currents [A] and constant powers [W] of rows ``row`` (x,): those ``speaking`` (x,) at
        speech, or at full output where ``tones`` (x,) are paged; the others idle."""
        amps = np.where(tones, self.full_a[:, row], self.speech_a[:, row])
        watts = np.where(tones, self.full_w[:, row], self.speech_w[:, row])
        return (
            np.where(speaking, amps, self.idle_a[:, row]),
            np.where(speaking, watts, self.idle_w[:, row]),
        )


def segment_resistance_ohm_per_m(
    plant: Plant, cable_index: IntArray, temperature_c: FloatArray
) -> FloatArray:
    """(3, n) resistance of one conductor [Ω/m] at a temperature.

    cable_index: (n,) into ``plant.cables``, −1 unknown; temperature_c: (3, n) [°C], see
    ``design_temperature_c``.
    Low and likely are nominal; high is the largest that the standard allows on category cable. An unknown
    cable is 22, 24, 26 AWG.
    """
    gauge = lookup(plant.cables.gauge_awg, cable_index)
    category = lookup(plant.cables.category, cable_index)
    known = ~np.isnan(gauge)
    out = np.empty((3, len(cable_index)))
    for band in (LOW, LIKELY, HIGH):
        awg = np.where(known, gauge, UNKNOWN_GAUGE_AWG[band])
        out[band] = resistance_ohm_per_m(awg, temperature_c[band])
    out[HIGH] *= np.where(known & category, CATEGORY_HIGH_RESISTANCE, 1.0)
    return out


def point_loads(plant: Plant) -> PointLoads:
    """Loads and resistances of every point row of ``plant``, before any reading scales them.

    Speech current: the device's own, else the model's, else half of full output and never under idle (common
    practice). This half is known as well as the point's basis says where that is measured, drawing or
    guessed. A data sheet does not say it, so where the basis is marked it is × 0.8–1.3 of it, never under
    idle nor over full output, and a reading at speech scales it. A model that states watts and no currents
    is a constant-power load. A device of unknown model takes the unknown band of its kind; an unknown idle
    current is half the speech current; an unknown tap is one of its model's list (common practice, no
    source). Full output: as the model states; where it does not, or the current is unknown, what half of it
    at speech comes to.
    """
    rows, models, factors = plant.points, plant.models, plant.factors
    model = rows.model_index
    run_kind = plant.run_kind[rows.run_index]
    site = plant.group_site[rows.group]

    whole = wholes(rows)
    whole_m = lengths(whole.length_m, rows.length_basis, whole.home_run, factors)
    length = deal(whole_m, rows.length_share, rows.length_share_place)
    temperature = design_temperature_c(plant.temperature_c[site], rows.design_temperature_c)
    per_m = segment_resistance_ohm_per_m(plant, rows.cable_index, temperature)
    pairs = np.where(rows.dc_pairs > 0, rows.dc_pairs, 1).astype(float)
    pair_ohm_per_m = 2.0 * per_m
    pair_resistance = pair_ohm_per_m * length

    gauge = lookup(plant.cables.gauge_awg, rows.cable_index)
    default = np.where(gauge > THINNEST_OF_1_A_AWG, np.nan, factors.conductor_rating_a)
    rating = first_known(lookup(plant.cables.conductor_rating_a, rows.cable_index), default)

    count = np.stack([rows.count_low, rows.count_likely, rows.count_high])
    loaded = rows.count_high > 0
    kind = np.where(model >= 0, lookup(models.device_kind, model), rows.device_kind)

    idle = first_known(rows.idle_current_a, lookup(models.idle_current_a, model))
    full_output = lookup(models.full_output_current_a, model)
    half = np.fmax(full_output * factors.speech_of_full_output, np.where(np.isnan(full_output), np.nan, idle))
    speech = first_known(rows.speech_current_a, lookup(models.speech_current_a, model), half)
    full_w, idle_w = lookup(models.full_output_power_w, model), lookup(models.idle_power_w, model)
    watts = np.isnan(speech) & ~np.isnan(full_w)
    speech_w_rated = np.fmax(full_w * factors.speech_of_full_output, idle_w)

    self_amplified = loaded & (run_kind == RunKind.SELF_AMPLIFIED)
    band = factors.table("current")[:, rows.current_basis]
    in_amps, in_watts = self_amplified & ~watts, self_amplified & watts
    derived = np.isnan(first_known(rows.speech_current_a, lookup(models.speech_current_a, model))) & (
        rows.current_basis == Basis.MARKED
    )
    unknown_a = by_kind(kind, factors, "a")
    speech_band = np.where(
        derived & ~np.isnan(speech),
        _of_full_output(full_output, idle, factors),
        loads(speech, rows.current_basis, unknown_a, factors),
    )
    idle_known = ~np.isnan(idle) & ~np.isnan(speech) & (rows.current_basis != Basis.UNKNOWN)
    idle_band = np.where(idle_known, idle * band, speech_band * factors.unknown_idle_of_speech)
    speech_w_band = np.where(
        rows.current_basis == Basis.UNKNOWN,
        unknown_a * factors.nominal_supply_v,
        np.where(derived, _of_full_output(full_w, idle_w, factors), speech_w_rated * band),
    )
    idle_w_band = np.where(
        np.isnan(idle_w) | (rows.current_basis == Basis.UNKNOWN),
        speech_w_band * factors.unknown_idle_of_speech,
        idle_w * band,
    )

    # a speaker that draws more at speech than its model states at full output draws that at full output too
    stated_full = np.fmax(full_output, speech)
    full_known = ~np.isnan(full_output) & (rows.current_basis != Basis.UNKNOWN)
    full_band = np.where(full_known, stated_full * band, speech_band / factors.speech_of_full_output)
    full_w_band = np.where(
        rows.current_basis == Basis.UNKNOWN,
        speech_w_band / factors.speech_of_full_output,
        np.fmax(full_w, idle_w) * band,
    )

    on_line = loaded & (run_kind == RunKind.CONSTANT_VOLTAGE)
    listed = (models.lowest_tap_w, models.middle_tap_w, models.highest_tap_w)
    own_taps = np.stack([lookup(tap, model) for tap in listed])
    unknown_tap = first_known(own_taps, by_kind(kind, factors, "w", "_tap"))
    tap = loads(rows.tap_power_w, rows.tap_basis, unknown_tap, factors)

    # a group of which somebody has counted every device is as well known as its devices are
    uncounted = (rows.kind == PointKind.UNCOUNTED_GROUP) & (rows.count_low != rows.count_high)
    model_currents_known = ~np.isnan(speech) | watts
    marked = (rows.current_basis >= Basis.MARKED) & model_currents_known
    stated = marked & ~derived
    full_stated = marked & ~np.isnan(np.where(watts, full_w, full_output))
    tap_marked = ~np.isnan(rows.tap_power_w) & (rows.tap_basis >= Basis.MARKED)
    supported = (
        np.where(run_kind == RunKind.SELF_AMPLIFIED, stated, np.where(on_line, tap_marked, model >= 0))
        & ~uncounted
    )
    return PointLoads(
        whole=whole,
        whole_m=whole_m,
        share=rows.length_share,
        share_place=rows.length_share_place,
        pair_ohm_per_m=pair_ohm_per_m,
        length_m=length,
        loop_resistance_ohm=pair_resistance / pairs,
        pair_resistance_ohm=pair_resistance,
        speech_a=np.where(in_amps, speech_band, 0.0) * count,
        idle_a=np.where(in_amps, idle_band, 0.0) * count,
        full_a=np.where(in_amps, full_band, 0.0) * count,
        speech_w=np.where(in_watts, speech_w_band, 0.0) * count,
        idle_w=np.where(in_watts, idle_w_band, 0.0) * count,
        full_w=np.where(in_watts, full_w_band, 0.0) * count,
        tap_w=np.where(on_line, tap, 0.0) * count,
        count=count,
        speaker_conductance_s=1.0 / lookup(models.nominal_impedance_ohm, model),
        minimum_voltage_v=lookup(models.minimum_voltage_v, model),
        maximum_voltage_v=lookup(models.maximum_voltage_v, model),
        input_impedance_ohm=lookup(models.input_impedance_ohm, model),
        input_sensitivity_v=lookup(models.input_sensitivity_v, model),
        conductor_rating_a=rating,
        conductors=pairs,
        loaded=loaded,
        supported=supported,
        scaled_speech=self_amplified & (~stated | uncounted),
        scaled_idle=self_amplified & (~marked | uncounted | (derived & np.isnan(first_known(idle, idle_w)))),
        scaled_full=self_amplified & (~full_stated | uncounted),
        scaled_length=(rows.length_basis < Basis.MARKED) | np.isnan(rows.length_m),
        pairs_recorded=rows.dc_pairs > 0,
        current_recorded=~np.isnan(rows.speech_current_a),
    )


def _of_full_output(full_output: FloatArray, idle: FloatArray, factors: Factors) -> FloatArray:
    """(3, n) speech where only full output is stated, never under idle nor over full output.

    full_output, idle: (n,) [A] or [W], NaN unknown.
    """
    multiples = [factors.speech_of_full_output_low, 1.0, factors.speech_of_full_output_high]
    speech = np.outer(multiples, full_output * factors.speech_of_full_output)
    speech = np.fmin(np.fmax(speech, idle), np.fmax(full_output, idle))
    return np.asarray(speech)
